package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/spf13/cobra"

	"witnessmark/events"
	"witnessmark/events/backup"
	"witnessmark/events/journal"
	"witnessmark/events/seal"
)

func newMend() *cobra.Command {
	var from []string
	var store string
	var dry, asJSON bool
	cmd := &cobra.Command{
		Use:   "mend",
		Short: "Bring back what a damaged journal, photo or certificate file has lost, from what is left and from copies",
		Long: `Reads the files of the journal itself, without the server, so that one damaged
entry costs no other. What is lost is taken from blocks that were put aside when
the service started, and from the copies that --from names, each of them

  a data directory, its journal, or a plain copy of either
  a backup that 'witnessmark backup' made
  the address of a NATS server that has the journal or a mirror of it, such as
  the hub of a chain: nats://10.0.0.9:4222, with --nats-secret and --nats-trust

Every entry is held against the seals: of two that differ, the one that was
sealed is taken, and an entry that a seal speaks against fills nothing. What a
copy gave and no signed seal covers is named.

If that makes the journal better its store is written anew, read back, and only
then put in place; the old one stays in journal/damaged. What is lost for good
is named, and its sequences are never given again. Then each photo, and each
file of an outside laboratory's certificate, that the journal names is held against
its SHA-256 there, and one that is altered or gone is brought back in the same way
(a hub keeps neither). Afterwards the whole
journal is verified against its seals. Then run 'witnessmark rebuild', which
makes the ledger anew.

Where the journal is in a store of its own ('witnessmark store'), stop that too,
and say --store with its data directory; --data is the service's, with the seals.
A node of a cluster needs no mending: empty its directory, and the others fill it.

Stop the service first. A copy is only read. Copy the data directory aside before
you mend anything that matters, and find out why it was damaged: a disk that
has lost one block will lose more.

Exit status 0: nothing is missing or altered. 1: something is.`,
		Example: `  witnessmark mend --dry-run
  witnessmark mend --from /mnt/backup/fenholt-2026-11-29
  witnessmark mend --from /mnt/a --from /mnt/b && witnessmark rebuild
  witnessmark mend --store witnessmark-store --from nats://10.0.0.9:4222 --nats-secret secret --nats-trust hub.pem`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			if store == "" && cfg.NATSURL != "" {
				return usageError("mend works on files; the journal is at %s: stop that store, and name its data directory with --store", journal.NoSecret(cfg.NATSURL))
			}
			shop, err := readShop(cfg.Shop)
			if err != nil {
				return err
			}
			return mend(c, cfg, shop.ID, mending{from: from, store: store, dry: dry, verify: true}, asJSON)
		},
	}
	cmd.Flags().StringArrayVar(&from, "from", nil, "a copy: a directory, a backup, or the address of a NATS server; may be given more than once")
	cmd.Flags().StringVar(&store, "store", "", "data directory of the 'witnessmark store' that keeps the journal")
	cmd.Flags().BoolVar(&dry, "dry-run", false, "say what would be done and change nothing")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	addConfigFlags(cmd, "data", "shop", "nats_url")
	return cmd
}

// mending says what to mend, and from what.
type mending struct {
	from  []string
	store string // data directory of a store by itself; "": the embedded server's files

	dry    bool
	verify bool // afterwards, against the seals
}

// mended is what came of it.
type mended struct {
	*journal.Mended
	*journal.FilesMended
	Verified *seal.Result `json:"verified,omitempty"`
}

func mend(c *cobra.Command, cfg config, shop string, what mending, asJSON bool) error {
	m, err := mendAll(c.Context(), cfg, shop, what)
	if err != nil {
		return err
	}
	if asJSON {
		enc := json.NewEncoder(c.OutOrStdout())
		enc.SetIndent("", "  ")
		err = enc.Encode(m)
	} else {
		err = tellMended(c.OutOrStdout(), m, what)
	}
	if err == nil && (len(m.Missing)+len(m.Altered)+len(m.Photos.Missing)+len(m.Papers.Missing) > 0 || m.Verified != nil && !m.Verified.OK()) {
		return exitCode{1, errors.New("the journal is not whole; what is missing or altered is named above")}
	}
	return err
}

// mendAll mends journal and photos by what seals and ledger know.
func mendAll(ctx context.Context, cfg config, shop string, what mending) (m *mended, err error) {
	if what.store != "" {
		free, e := what.holdStore()
		if e != nil {
			return nil, e
		}
		defer func() { err = errors.Join(err, free()) }()
	}
	copies, err := copiesFor(ctx, cfg, shop, what.from)
	defer copies.remove()
	if err != nil {
		return nil, err
	}
	prover, err := seal.OpenProver(cfg.sealsDir())
	if err != nil {
		return nil, err
	}
	known := uint64(0)
	for _, w := range cfg.witnesses(ctx) {
		known = max(known, w.Last)
	}
	mc := journal.MendConfig{
		Shop: shop, Dir: cfg.journalDir(), From: copies.dirs, Names: copies.names, Known: known, DryRun: what.dry, Log: cfg.logger(),
		Prove: func(w *events.Written) journal.Proof { return proofOf(prover, w) },
	}
	if what.store != "" {
		mc.Dir, mc.Streams, mc.Beside = filepath.Join(what.store, "mending"), what.streams(), cfg.journalDir()
	}
	m = &mended{}
	m.Mended, err = journal.Mend(ctx, mc)
	if err = errors.Join(err, prover.Close()); err != nil {
		return nil, err
	}
	open, done := what.opener(cfg, shop)
	defer done()
	if m.FilesMended, err = journal.MendFiles(ctx, mc, m.Mended, open); err != nil || what.dry || !what.verify {
		return m, err
	}
	m.Verified, err = verifyMended(ctx, cfg, shop, open)
	return m, err
}

// copies are the directories that hold what --from names.
type copies struct {
	dirs  []string
	names map[string]string // what people call those that were made here
	made  string            // directory in which they were made, "" for none
}

func (c *copies) remove() {
	if c.made != "" {
		_ = os.RemoveAll(c.made) // only a copy of copies
	}
}

// copiesFor fetches and unpacks what is not plain files.
func copiesFor(ctx context.Context, cfg config, shop string, from []string) (*copies, error) {
	c := &copies{names: map[string]string{}}
	for i, name := range from {
		remote, packed := strings.Contains(name, "://"), backup.Is(name)
		if !remote && !packed {
			c.dirs = append(c.dirs, name)
			continue
		}
		if c.made == "" {
			made, err := os.MkdirTemp(cfg.Data, "mend-from-")
			if err != nil {
				return c, fmt.Errorf("make room for a copy: %w", err)
			}
			c.made = made
		}
		dir := filepath.Join(c.made, fmt.Sprint(i))
		c.dirs = append(c.dirs, dir)
		if packed {
			c.names[dir] = name
			if err := backup.Unpack(name, dir); err != nil {
				if _, e := os.Stat(dir); e != nil {
					return c, err
				}
				cfg.logger().Warn("the backup is damaged; what can be read of it is used", "backup", name, "err", err)
			}
			continue
		}
		c.names[dir] = hostOf(name)
		link, err := cfg.linkTo(name)
		if err != nil {
			return c, err
		}
		photos, err := journal.Fetch(ctx, link, name, shop, dir)
		if err != nil {
			return c, err
		}
		if !photos {
			cfg.logger().Info("this server has no photos of the shop, only its journal", "server", hostOf(name))
		}
	}
	return c, nil
}

// streams is where a store keeps the streams of a shop.
func (w mending) streams() string {
	return filepath.Join(w.store, "jetstream", storeAccount, "streams")
}

// holdStore keeps a store from running while its files are mended.
func (w mending) holdStore() (done func() error, err error) {
	if _, err := os.Stat(w.store); err != nil {
		return nil, fmt.Errorf("--store: %w", err)
	}
	if _, err := os.Stat(filepath.Join(w.store, "jetstream", "$SYS", "_js_")); err == nil {
		return nil, usageError("%s is of a node of a cluster, which needs no mending: empty it and start the store, and the other nodes fill it", w.store)
	}
	return journal.LockDir(w.store)
}

// opener opens the mended journal as often as asked: with a server over the
// store's files where there are such, which nobody else reaches. done ends it.
func (w mending) opener(cfg config, shop string) (open func(context.Context) (*journal.Journal, error), done func()) {
	if w.store == "" {
		return func(ctx context.Context) (*journal.Journal, error) { return openJournalAsItIs(ctx, cfg, shop) }, func() {}
	}
	var srv *server.Server
	open = func(ctx context.Context) (*journal.Journal, error) {
		if srv == nil {
			var err error
			o := storeOptions{name: "mend", data: w.store, listen: "127.0.0.1:-1", most: 1 << 62, quiet: true}
			if srv, err = o.start(); err != nil {
				return nil, err
			}
		}
		at := cfg
		at.NATSURL, at.NATSTrust, at.NATSSecret = srv.ClientURL(), "", "" // it is on loopback, for us alone
		return openJournalAsItIs(ctx, at, shop)
	}
	return open, func() {
		if srv != nil {
			srv.Shutdown()
			srv.WaitForShutdown()
		}
	}
}

func proofOf(p *seal.Prover, w *events.Written) journal.Proof {
	switch covered, same, sealed := p.Holds(w); {
	case !covered:
		return journal.ProofNone
	case !same:
		return journal.ProofAgainst
	case sealed:
		return journal.ProofSealed
	}
	return journal.ProofLogged
}

// verifyMended holds the whole journal against its seals; nil if there are none
// to hold it against.
func verifyMended(ctx context.Context, cfg config, shop string, open func(context.Context) (*journal.Journal, error)) (*seal.Result, error) {
	seals, err := seal.Checkpoints(cfg.sealsDir())
	if err != nil || len(seals) == 0 {
		return nil, err
	}
	j, err := open(ctx)
	if err != nil {
		return nil, err
	}
	defer j.Close()
	return seal.VerifyJournal(ctx, j, cfg.sealsDir(), shop, nil, nil)
}

func tellMended(out io.Writer, m *mended, what mending) error {
	var b strings.Builder
	line := func(what string, runs []journal.Run) {
		if len(runs) == 0 {
			return
		}
		n := uint64(0)
		var list []string
		for i, x := range runs {
			n += x.To - x.From + 1
			if i < 20 {
				list = append(list, x.String())
			}
		}
		if len(runs) > 20 {
			list = append(list, fmt.Sprintf("and %d runs more", len(runs)-20))
		}
		fmt.Fprintf(&b, "%s: %d (%s)\n", what, n, strings.Join(list, ", "))
	}
	fmt.Fprintf(&b, "journal: %d of %d entries, %d damaged places in its files\n", m.Entries, m.Last, m.Damaged)
	line("brought back from blocks put aside", m.Salvaged)
	line("filled in from a copy", m.Refilled)
	line("of these, not covered by a signed seal", m.Unproven)
	line("DIFFERENT in a copy, and no seal tells which is right; kept as it was", m.Differ)
	line("ALTERED: not what was sealed, and no copy has that", m.Altered)
	if len(what.from) == 0 {
		line("MISSING: name a copy with --from", m.Missing)
	} else {
		line("MISSING: no copy that was named has them whole either", m.Missing)
	}
	tellFiles(&b, "photos", &m.Photos, what, "no copy that was named has them whole (the hub of a chain keeps none)")
	tellFiles(&b, "certificate files", &m.Papers, what, "no copy that was named has them whole; 'witnessmark tool paper FILE' sends one again")
	switch {
	case what.dry:
		b.WriteString("nothing was changed (--dry-run)\n")
	case m.Changed:
		fmt.Fprintf(&b, "the store was written anew; the old one is in %s\nnow run 'witnessmark rebuild'\n", m.KeptAs)
	case len(m.Photos.Salvaged)+len(m.Photos.Refilled)+len(m.Papers.Salvaged)+len(m.Papers.Refilled) > 0:
		b.WriteString("the journal itself needed no mending\n")
	default:
		b.WriteString("there was nothing to mend\n")
	}
	if r := m.Verified; r != nil {
		if r.OK() {
			fmt.Fprintf(&b, "%d seals hold; sealed up to J%d by %s\n", r.Seals, r.Size, r.Key)
		}
		b.WriteString(r.Text())
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// tellFiles says what became of the files of a kind; lost is what to say of those
// that no copy has.
func tellFiles(b *strings.Builder, kind string, p *journal.KindMended, what mending, lost string) {
	if p.Named == 0 {
		return
	}
	fmt.Fprintf(b, "%s: %d of %d were whole\n", kind, p.Whole, p.Named)
	line := func(what string, hashes []string) {
		if len(hashes) == 0 {
			return
		}
		var list []string
		for _, h := range hashes[:min(len(hashes), 20)] {
			list = append(list, h[:12])
		}
		if len(hashes) > 20 {
			list = append(list, fmt.Sprintf("and %d more", len(hashes)-20))
		}
		fmt.Fprintf(b, "%s: %d (%s)\n", what, len(hashes), strings.Join(list, ", "))
	}
	line(kind+" brought back from the store's own files", p.Salvaged)
	line(kind+" brought back from a copy", p.Refilled)
	if len(what.from) == 0 {
		line(strings.ToUpper(kind)+" MISSING: name a copy with --from", p.Missing)
	} else {
		line(strings.ToUpper(kind)+" MISSING: "+lost, p.Missing)
	}
}
