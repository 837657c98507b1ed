package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/events/backup"
	"witnessmark/events/journal"
	"witnessmark/events/trust"
)

func newBackup() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "backup DIR",
		Short: "Copy the whole shop into a directory, while the service runs",
		Long: `Makes DIR, a copy from which 'witnessmark restore' makes the shop again, here or
on another machine: the journal and the photos (as JetStream snapshots, one
state of them though work goes on), the seals, the shop file, the configuration
and your profiles, and a manifest with the SHA-256 of each file. Run it as the
user that runs the service. Afterwards it is read back and checked.

Secrets (the signing key, alert routes, what else lies in the data directory) are
encrypted with the passphrase in the file that --passphrase-file names, and left
out without one. A backup without them is whole in all that was recorded; the
restored shop then signs with a new key. Keep the passphrase elsewhere: without
it nobody can read them.

Keep backups on another disk, better in another house. Nothing is known of what
was written after the backup: what matters after it is in the next one.

Moving a shop to new hardware:
  1. stop the service here
  2. witnessmark backup DIR --move --passphrase-file F
     this also shuts the data directory: the service does not start on it any more
  3. on the new machine: witnessmark restore DIR --passphrase-file F
  4. put the set-up files in place (it says which), and start the service there`,
		Example: "  witnessmark backup /mnt/usb/fenholt-2026-11-29\n  witnessmark backup DIR --passphrase-file ~/backup.pass\n  witnessmark backup DIR --check",
		Args:    cobra.ExactArgs(1),
		RunE:    runBackup,
	}
	cmd.Flags().String("passphrase-file", "", "file whose first line is the passphrase for the secrets")
	cmd.Flags().Bool("move", false, "shut this data directory afterwards: the shop goes on elsewhere; the service must be stopped")
	cmd.Flags().Bool("check", false, "make nothing: check the backup DIR against its manifest")
	cmd.Flags().Bool("json", false, "print the manifest as JSON")
	addConfigFlags(cmd, "data", "shop", "nats_url", "profiles", "alerts", "tls_cert", "tls_key")
	return cmd
}

func runBackup(c *cobra.Command, args []string) error {
	cfg, err := loadConfig(c)
	if err != nil {
		return err
	}
	dir := args[0]
	if check, _ := c.Flags().GetBool("check"); check {
		m, err := backup.Check(c.Context(), dir, tellProgress(c))
		fmt.Fprintln(c.ErrOrStderr())
		if err != nil {
			return err
		}
		return sayBackup(c, dir, m, "is whole")
	}
	plan, err := planBackup(c, cfg, dir)
	if err != nil {
		return err
	}
	if _, ok, err := journal.Look(cfg.journalDir()); err != nil || !ok {
		return errors.Join(fmt.Errorf("%s holds no journal: name the shop's data directory with --data", cfg.Data), err)
	}
	j, err := openJournalAsItIs(c.Context(), cfg, plan.Shop)
	switch {
	case errors.Is(err, journal.ErrInUse) && plan.Moving:
		return errors.New("the service is running: stop it before its shop is moved, or readings would be taken that the copy has not")
	case errors.Is(err, journal.ErrInUse):
		plan.Source = control{cfg.Data}
	case err != nil:
		return err
	default:
		defer j.Close()
		plan.Source = j
	}
	m, err := backup.Make(c.Context(), plan)
	if err == nil {
		_, err = backup.Check(c.Context(), dir, plan.Progress)
	}
	fmt.Fprintln(c.ErrOrStderr())
	if err != nil {
		return err
	}
	if plan.Moving {
		if err := shut(cfg.Data, m, dir); err != nil {
			return err
		}
	}
	return sayBackup(c, dir, m, "made and checked")
}

func planBackup(c *cobra.Command, cfg config, dir string) (backup.Plan, error) {
	shop, err := readShop(cfg.Shop)
	if err != nil {
		return backup.Plan{}, err
	}
	pass, err := passphrase(c)
	if err != nil {
		return backup.Plan{}, err
	}
	move, _ := c.Flags().GetBool("move")
	p := backup.Plan{Dir: dir, Data: cfg.Data, Shop: shop.ID, Passphrase: pass, Moving: move, Now: time.Now(), Progress: tellProgress(c),
		Config: map[string]string{"shop.yaml": cfg.Shop},
		Secret: map[string]string{"seals/key": filepath.Join(cfg.sealsDir(), "key")},
	}
	if cfg.file != "" {
		p.Config["witnessmark.yaml"] = cfg.file
	}
	if cfg.Profiles != "" {
		p.Config["profiles"] = cfg.Profiles
	}
	trusted := cfg.NATSTrust
	if trusted == trust.System {
		trusted = ""
	}
	for name, from := range map[string]string{"alerts.yaml": cfg.Alerts, "tls/cert.pem": cfg.TLSCert, "tls/key.pem": cfg.TLSKey, "nats-trust.pem": trusted, "nats-secret": cfg.NATSSecret} {
		if from != "" { // may hold what opens other doors
			p.Secret["from-backup/"+name] = from
		}
	}
	es, err := os.ReadDir(cfg.Data)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return p, err
	}
	for _, e := range es {
		if !isDerivedOrKnown(e.Name()) {
			p.Secret[e.Name()] = filepath.Join(cfg.Data, e.Name())
		}
	}
	return p, nil
}

// isDerivedOrKnown tells of a name in the data directory whether a backup takes
// it by other ways, or needs it not. All else is treated as secret.
func isDerivedOrKnown(name string) bool {
	return slices.Contains([]string{"journal", "seals", "chain", controlFile, shutFile, backup.MarkFile}, name) ||
		strings.HasPrefix(name, "mend-from-") || // a copy of copies, left by a mend that was killed
		strings.HasPrefix(name, "ledger.db") || strings.HasPrefix(name, "state.snapshot")
}

// passphrase reads the file that a flag names; "" without.
func passphrase(c *cobra.Command) (string, error) {
	name := flag(c, "passphrase-file")
	if name == "" {
		return "", nil
	}
	b, err := os.ReadFile(name)
	if err != nil {
		return "", fmt.Errorf("read passphrase: %w", err)
	}
	line, _, _ := strings.Cut(string(b), "\n")
	if line = strings.TrimSpace(line); len(line) < 12 {
		return "", usageError("the passphrase in %s is shorter than 12 characters: take some words", name)
	}
	return line, nil
}

// tellProgress tells what is being done and how far it is, now and then.
func tellProgress(c *cobra.Command) func(what string, done, total uint64) {
	var last time.Time
	was := ""
	return func(what string, done, total uint64) {
		if now := time.Now(); what != was || now.Sub(last) > 200*time.Millisecond || done == total {
			if was != "" && was != what {
				fmt.Fprintln(c.ErrOrStderr())
			}
			last, was = now, what
			percent := 100.0
			if total > 0 {
				percent = min(100, 100*float64(done)/float64(total))
			}
			fmt.Fprintf(c.ErrOrStderr(), "\r%-24s %3.0f %%", what, percent)
		}
	}
}

func sayBackup(c *cobra.Command, dir string, m *backup.Manifest, what string) error {
	if asJSON, _ := c.Flags().GetBool("json"); asJSON {
		enc := json.NewEncoder(c.OutOrStdout())
		enc.SetIndent("", "  ")
		return enc.Encode(m)
	}
	var size int64
	for _, f := range m.Files {
		size += f.Size
	}
	fmt.Fprintf(c.OutOrStdout(), "%s: backup %s of shop %s, entries 1 to %d, sealed to J%d, %d files, %s; %s\n", dir, m.ID, m.Shop, m.Last, m.Sealed, len(m.Files), formatSize(uint64(size)), what)
	if len(m.LeftOut) > 0 {
		fmt.Fprintf(c.OutOrStdout(), "left out, because no passphrase was given: %s\n", strings.Join(m.LeftOut, ", "))
	}
	return nil
}

// shutFile marks a data directory whose shop goes on elsewhere.
const shutFile = "moved.json"

type shutMark struct {
	Backup string    `json:"backup"`
	Dir    string    `json:"dir"`
	At     time.Time `json:"at"`
	Last   uint64    `json:"last_seq"`
}

// shut keeps the service from starting on data.
func shut(data string, m *backup.Manifest, dir string) error {
	b, err := json.MarshalIndent(shutMark{m.ID, dir, m.MadeAt, m.Last}, "", "  ")
	if err != nil {
		return err
	}
	f, err := os.OpenFile(filepath.Join(data, shutFile), os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o644)
	if err != nil {
		return fmt.Errorf("shut %s: %w", data, err)
	}
	_, err = f.Write(append(b, '\n'))
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("shut %s: %w", data, err)
	}
	return nil
}

// checkShut refuses a data directory whose shop was moved: what is taken here
// would be missing there, and both would give the same sequences to other events.
func checkShut(data string) error {
	name := filepath.Join(data, shutFile)
	b, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	var m shutMark
	_ = json.Unmarshal(b, &m) // damaged: it says so all the same
	return fmt.Errorf("this shop was moved to other hardware at %s UTC, by backup %s (%s), and goes on there: start it there; "+
		"only if that was called off and nothing was recorded elsewhere, remove %s", m.At.Format("2006-01-02 15:04"), m.Backup, m.Dir, name)
}

func newRestore() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "restore DIR",
		Short: "Make a data directory from a backup, and prove that it is whole",
		Long: `Makes the data directory (setting data) from the backup DIR. It must not be there
yet, or be empty: a shop that is there is never written over. The backup is
checked against its manifest first; then the restored journal is held against
all its seals, and the ledger is built anew. If anything is wrong it says what,
and leaves nothing behind.

The shop file, the configuration and the profiles are put into from-backup/ in
the data directory: look at them, and put them where you want them. Ports may
have other names on another machine.

Make sure that the shop does not go on at two places: readings taken at the old
machine after the backup are not in this copy, and both would sign other things
in the same name. 'witnessmark verify --checkpoints' finds that out.`,
		Example: "  witnessmark restore /mnt/usb/fenholt-2026-11-29 --passphrase-file ~/backup.pass\n  witnessmark restore DIR --data /var/lib/witnessmark --without-secrets",
		Args:    cobra.ExactArgs(1),
		RunE:    runRestore,
	}
	cmd.Flags().String("passphrase-file", "", "file whose first line is the passphrase of the secrets")
	cmd.Flags().Bool("without-secrets", false, "leave the secrets out: begin a new signing key with 'witnessmark seal rotate'")
	cmd.Flags().Bool("accept-findings", false, "restore although the journal was damaged before it was backed up; what is wrong is printed")
	addConfigFlags(cmd, "data", "journal_max")
	return cmd
}

func runRestore(c *cobra.Command, args []string) error {
	cfg, err := loadConfig(c)
	if err != nil {
		return err
	}
	pass, err := passphrase(c)
	if err != nil {
		return err
	}
	if without, _ := c.Flags().GetBool("without-secrets"); without {
		pass = backup.WithoutSecrets
	}
	maxBytes, err := parseSize(cfg.JournalMax)
	if err != nil {
		return err
	}
	accept, _ := c.Flags().GetBool("accept-findings")
	r, err := backup.Restore(c.Context(), backup.Restoring{Dir: args[0], Data: cfg.Data, Passphrase: pass, MaxBytes: int64(maxBytes),
		Now: time.Now(), By: machineUser(), AcceptFindings: accept, Progress: tellProgress(c), Log: cfg.logger()})
	fmt.Fprintln(c.ErrOrStderr())
	if err != nil {
		return err
	}
	out := c.OutOrStdout()
	fmt.Fprintf(out, "%s: shop %s, entries 1 to %d; %d seals hold, sealed to J%d; the ledger is built\n", cfg.Data, r.Shop, r.Last, r.Verified.Seals, r.Verified.Size)
	fmt.Fprint(out, r.Verified.Text())
	fmt.Fprintf(out, "shop file and configuration: %s; put them in place and look at the ports\n", r.Config)
	if r.NoKey {
		fmt.Fprintln(out, "the signing key is not there: put seals/key back, or begin a new one with 'witnessmark seal rotate'")
	}
	if !r.Moving {
		fmt.Fprintf(out, "The machine of the backup was not shut: make sure that it does not go on. What it recorded after %s UTC is not here.\n", r.MadeAt.Format("2006-01-02 15:04"))
	}
	return nil
}
