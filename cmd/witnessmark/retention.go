package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"go.yaml.in/yaml/v3"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
	"witnessmark/events/retention"
	"witnessmark/events/seal"
)

// retentionFile is the shop's rule in the shop file.
type retentionFile struct {
	Captures   string   `yaml:"captures"`   // "10 years"; "" or "for ever": for ever
	Jobs       []string `yaml:"jobs"`       // kept for ever
	Procedures []string `yaml:"procedures"` // all jobs of these
}

func (f retentionFile) check(bad func(string, ...any)) {
	if _, err := f.rule(); err != nil {
		bad("retention: %v", err)
	}
}

func (f retentionFile) rule() (retention.Rule, error) {
	r := retention.Rule{Jobs: f.Jobs, Procedures: f.Procedures}
	if f.Captures == "" || f.Captures == "for ever" {
		return r, nil
	}
	number, unit, _ := strings.Cut(f.Captures, " ")
	n, err := strconv.Atoi(number)
	if r.Years = n; err != nil || n < 1 || n > 100 || unit != "year" && unit != "years" {
		return r, fmt.Errorf("captures is %q: want a number of whole years from 1 to 100, such as '10 years', or 'for ever'", f.Captures)
	}
	return r, nil
}

// readRetention reads the shop's rule from a shop file that is right.
func readRetention(name string) (retention.Rule, error) {
	b, err := os.ReadFile(name)
	if err != nil {
		return retention.Rule{}, fmt.Errorf("read shop file: %w", err)
	}
	var f shopFile
	if err := yaml.Unmarshal(b, &f); err != nil {
		return retention.Rule{}, fmt.Errorf("read shop file %s: %w", name, err)
	}
	return f.Retention.rule()
}

func newRetention() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "retention",
		Short: "Remove what tools sent from the journal once the shop's time for keeping it is up",
		Long: `What tools send is most of a journal: readings with raw bytes, traces and courses of
pressings, samples of indicators, frames that could not be read. These captures,
and nothing else, may be removed once a job has been over for long enough. What
people asked for and what was decided stays for ever: every verdict with its
figure, limits, tool, person and time. So a tool that is found wrong still names
the jobs of twelve years ago; their traces and raw bytes are in the archive.

The shop file says how long:

  retention:
    captures: 10 years        # after the release or abandonment of the job; left out: for ever
    jobs: [j-1042]            # kept whatever the years say
    procedures: [RA-210]      # likewise all jobs of these

What stays in any case: captures of a job that is not over, of a job that an open
recall lists, of calibrations and checks, values that people typed, what no signed
seal covers, the newest event of each device, photos.

Before anything goes it is written to an archive that proves itself, with the
shop's public key, for ever. Keep the archive where you would keep the records.

CAUTION: what is removed is gone from here for good. Law, product liability, your
insurance and your customers' contracts may demand that you keep it for longer
than you would think. Ask those who know before you set a number of years.
Backups, copies of a chain's hub and blocks in journal/damaged still hold what was
removed here; remove them yourself if they must not.

Stop the service first:
  1. witnessmark retention plan                what would go, and what keeps the rest
  2. witnessmark retention archive DIR         write it to an archive, read it back
  3. copy DIR to where it is kept, and check the copy: witnessmark retention check COPY
  4. witnessmark retention apply DIR --by ruth remove what is in the archive
  5. start the service
Whatever cuts step 4 short, the shop is whole: give the same command again.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newRetentionPlan(), newRetentionArchive(), newRetentionApply(), newRetentionCheck(), newRetentionShow())
	return cmd
}

// stoppedShop is a shop whose service is stopped.
type stoppedShop struct {
	retention.Shop
	cfg    config
	people []events.Person
	rule   retention.Rule
}

func openStopped(c *cobra.Command) (*stoppedShop, error) {
	cfg, err := loadConfig(c)
	if err != nil {
		return nil, err
	}
	if cfg.NATSURL != "" {
		return nil, usageError("retention works on the embedded server's files; a journal at a NATS server (%s) keeps its captures for ever", journal.NoSecret(cfg.NATSURL))
	}
	shop, err := readShop(cfg.Shop)
	if err != nil {
		return nil, err
	}
	rule, err := readRetention(cfg.Shop)
	if err != nil {
		return nil, err
	}
	if _, ok, err := journal.Look(cfg.journalDir()); err != nil || !ok {
		return nil, errors.Join(fmt.Errorf("%s holds no journal: name the shop's data directory with --data", cfg.Data), err)
	}
	if id := boxStreamIn(cfg.journalDir()); id != "" {
		return nil, fmt.Errorf("%s is the data directory of a bench box (%s): captures are removed at the shop", cfg.Data, id)
	}
	free, err := parseSize(cfg.MinFree)
	if err != nil {
		return nil, err
	}
	return &stoppedShop{cfg: cfg, people: shop.People, rule: rule, Shop: retention.Shop{
		ID: shop.ID, Seals: cfg.sealsDir(), Ledger: cfg.ledgerPath(),
		Journal: journal.Config{Shop: shop.ID, Dir: cfg.journalDir(), AsItIs: true, MinFree: free, Witnesses: cfg.witnesses(c.Context()), Log: cfg.logger()},
	}}, nil
}

// boxStreamIn returns the stream of a bench box's journal; "" if it is a shop's.
func boxStreamIn(dir string) string {
	b, err := os.ReadFile(filepath.Join(dir, "journal.json"))
	var id struct{ Shop, Stream string }
	if err != nil || json.Unmarshal(b, &id) != nil || id.Stream == "wm-"+id.Shop {
		return ""
	}
	return id.Stream
}

// plan opens the journal and makes a plan; fn may use both.
func (s *stoppedShop) plan(c *cobra.Command, fn func(*journal.Journal, *retention.Plan) error) error {
	made, err := seal.Checkpoints(s.Seals)
	if err != nil {
		return err
	}
	sealed := uint64(0)
	if n := len(made); n > 0 {
		sealed = made[n-1].Size
	}
	j, err := journal.Open(c.Context(), s.Journal)
	if err != nil {
		return err
	}
	p, err := retention.Make(c.Context(), j, s.rule, sealed, time.Now())
	if err == nil {
		if h := j.Holes(); len(h) > 0 {
			err = fmt.Errorf("%w: %s", journal.ErrNotWhole, h[0])
		}
	}
	if err == nil {
		err = fn(j, p)
	}
	return errors.Join(err, j.Close())
}

func newRetentionPlan() *cobra.Command {
	cmd := &cobra.Command{
		Use: "plan", Short: "Say what would go, what keeps the rest, and how much room each takes; changes nothing",
		Example: "  witnessmark retention plan\n  witnessmark retention plan --json",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			s, err := openStopped(c)
			if err != nil {
				return err
			}
			return s.plan(c, func(_ *journal.Journal, p *retention.Plan) error {
				if asJSON, _ := c.Flags().GetBool("json"); asJSON {
					enc := json.NewEncoder(c.OutOrStdout())
					enc.SetIndent("", "  ")
					return enc.Encode(map[string]any{"rule": p.Rule.String(), "before_us": p.BeforeUs, "sealed_to": p.Sealed, "last_seq": p.Last, "remove": p.Of(), "jobs": p.Jobs, "stay": p.Stay, "captures": p.All})
				}
				return tellPlan(c.OutOrStdout(), p)
			})
		},
	}
	cmd.Flags().Bool("json", false, "print JSON")
	addConfigFlags(cmd, "data", "shop", "nats_url")
	return cmd
}

func amount(a retention.Amount) string {
	return fmt.Sprintf("%d captures, %.1f MB", a.Captures, float64(a.Bytes)/1e6)
}

func tellPlan(out io.Writer, p *retention.Plan) error {
	var b strings.Builder
	fmt.Fprintf(&b, "rule: %s\n", p.Rule)
	if p.Rule.Years > 0 {
		fmt.Fprintf(&b, "what may go: jobs that ended before %s\n", p.BeforeUs.Time().Format("2006-01-02"))
	}
	fmt.Fprintf(&b, "in the journal: %s, among %d entries\n", amount(p.All), p.Entries)
	fmt.Fprintf(&b, "would go: %s, of %d jobs\n", amount(p.Of()), len(p.Jobs))
	for i, j := range p.Jobs {
		if i == 20 {
			fmt.Fprintf(&b, "  and of %d jobs more\n", len(p.Jobs)-i)
			break
		}
		fmt.Fprintf(&b, "  %s, %s %s: %s\n", j.Job, j.Status, j.EndedUs.Time().Format("2006-01-02"), amount(j.Amount))
	}
	b.WriteString("stays:\n")
	for _, s := range p.Stay {
		fmt.Fprintf(&b, "  %s: %s", amount(s.Amount), s.Why)
		if n := len(s.Of); n > 10 {
			fmt.Fprintf(&b, " (%s and %d jobs more)", strings.Join(s.Of[:10], ", "), n-10)
		} else if n > 0 {
			fmt.Fprintf(&b, " (%s)", strings.Join(s.Of, ", "))
		}
		b.WriteString("\n")
	}
	_, err := io.WriteString(out, b.String())
	return err
}

func newRetentionArchive() *cobra.Command {
	cmd := &cobra.Command{
		Use: "archive DIR", Short: "Write what would go to an archive, and read it back; removes nothing",
		Long: `Makes DIR:

  entries.jsonl     each capture as it lay in the journal, one a line, as JSON
  leaves            the leaf of every sealed entry of the journal, 32 bytes each
  checkpoint        the signed checkpoint over them
  keys.pub          the shop's public keys; hold it against those that you gave out
  manifest.json     the SHA-256 of each; manifest.sha256 is that of the manifest

It proves itself, with the public key alone: 'witnessmark retention check DIR'.`,
		Example: "  witnessmark retention archive /mnt/archive/fenholt-2026",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			s, err := openStopped(c)
			if err != nil {
				return err
			}
			return s.plan(c, func(j *journal.Journal, p *retention.Plan) error {
				if len(p.Remove) == 0 {
					return errors.New("there is nothing that may go; 'witnessmark retention plan' says why")
				}
				a, err := retention.Archive(c.Context(), j, p, args[0], s.Seals, s.ID, time.Now())
				if err != nil {
					return err
				}
				return sayArchive(c, a, "made and checked")
			})
		},
	}
	addConfigFlags(cmd, "data", "shop", "nats_url")
	return cmd
}

func sayArchive(c *cobra.Command, a *retention.Archived, what string) error {
	_, err := fmt.Fprintf(c.OutOrStdout(), "%s %s: %s of %d jobs of shop %s, all as sealed by %s\nSHA-256 of its manifest: %s\n",
		a.Dir, what, amount(a.Entries), len(a.Jobs), a.Shop, a.Key, a.Sum)
	return err
}

func newRetentionApply() *cobra.Command {
	var by string
	cmd := &cobra.Command{
		Use: "apply DIR", Short: "Remove from the journal what is in an archive (owner)",
		Long: `Checks the archive DIR against the shop's key, and each entry in it against the
rule and the recalls as they are now; tells in the journal, for ever, who removes
what under which rule and where it is archived; brings the ledger up; writes the
journal's store anew without it beside the old one (that much room is needed),
reads it back, puts it in place; and verifies the whole journal against its seals.
If it was cut short, give it again.`,
		Example: "  witnessmark retention apply /mnt/archive/fenholt-2026 --by ruth",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			s, err := openStopped(c)
			if err != nil {
				return err
			}
			if err := errors.Join(checkShut(s.cfg.Data), retention.May(s.people, by)); err != nil {
				return err
			}
			a, err := retention.Apply(c.Context(), retention.Applying{Shop: s.Shop, Archive: args[0], Rule: s.rule, By: by, Log: s.cfg.logger()})
			if err != nil {
				return err
			}
			fmt.Fprintf(c.OutOrStdout(), "removed %d captures; %d entries stay; the store had %.1f MB and has %.1f MB\n",
				a.Thinned.Removed, a.Thinned.Entries, float64(a.Thinned.BytesBefore)/1e6, float64(a.Thinned.BytesAfter)/1e6)
			return tell(c, &a.Verified, fmt.Sprintf("%d entries; %d seals hold; sealed up to J%d by %s\n", a.Verified.Entries, a.Verified.Seals, a.Verified.Size, a.Verified.Key))
		},
	}
	cmd.Flags().StringVar(&by, "by", "", "who removes it: an owner of the shop file")
	addConfigFlags(cmd, "data", "shop", "nats_url")
	return cmd
}

func newRetentionCheck() *cobra.Command {
	cmd := &cobra.Command{
		Use: "check DIR", Short: "Prove, offline, that an archive is what was in the journal",
		Long: `Reads the archive whole and holds every entry in it against the signed checkpoint.
Give the public key that the shop gave you with --key: a file, or the key itself.
Without it the key in the archive is taken, which whoever made it could have put there.`,
		Example: "  witnessmark retention check /mnt/archive/fenholt-2026 --key fenholt.pub",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			keys, err := keysFrom(flag(c, "key"))
			if err != nil {
				return err
			}
			own := keys == nil
			if own {
				b, err := os.ReadFile(filepath.Join(args[0], "keys.pub"))
				if err != nil {
					return fmt.Errorf("%s is no archive: %w", args[0], err)
				}
				keys = strings.Fields(string(b))
			}
			a, err := retention.Check(c.Context(), args[0], keys)
			if err != nil {
				return err
			}
			if err := sayArchive(c, a, "is whole"); err != nil {
				return err
			}
			if own {
				fmt.Fprintln(c.OutOrStdout(), "Note: it was held against the key in the archive itself; give the shop's key with --key")
			}
			return nil
		},
	}
	cmd.Flags().String("key", "", "public key, or a file of public keys, as 'witnessmark seal key' prints them")
	return cmd
}

func newRetentionShow() *cobra.Command {
	cmd := &cobra.Command{
		Use: "show [JOB]", Short: "List what was removed: when, by whom, under which rule, and its archive's SHA-256",
		Example: "  witnessmark retention show\n  witnessmark retention show j-1042",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			l, err := ledger.Open(c.Context(), ledger.Config{Path: cfg.ledgerPath(), ReadOnly: true})
			if err != nil {
				return err
			}
			defer l.Close()
			var list []ledger.Removed
			if len(args) == 1 {
				list, err = l.RemovedOf(c.Context(), args[0])
			} else {
				list, err = l.Removals(c.Context())
			}
			if err != nil {
				return err
			}
			_, err = io.WriteString(c.OutOrStdout(), removalLines(list, len(args) == 1))
			return err
		},
	}
	addConfigFlags(cmd, "data", "shop")
	return cmd
}

// removalLines says a line for each removal, its parts taken together.
func removalLines(list []ledger.Removed, ofJob bool) string {
	if len(list) == 0 {
		return "nothing was removed\n"
	}
	var b strings.Builder
	for i := 0; i < len(list); {
		first, n, bytes := list[i], uint64(0), uint64(0)
		for ; i < len(list) && list[i].Removal == first.Removal; i++ {
			n, bytes = n+list[i].Count, bytes+list[i].CapturesRemoved.Bytes
			if ofJob {
				n += uint64(list[i].OfJob) - list[i].Count
			}
		}
		size := fmt.Sprintf(", %.1f MB", float64(bytes)/1e6)
		if ofJob {
			size = ""
		}
		fmt.Fprintf(&b, "%s: %d captures%s removed by %s; %s; archive %s, SHA-256 %s\n",
			first.AtUs.Time().Format("2006-01-02"), n, size, first.By, first.Rule, first.Name, first.CapturesRemoved.Archive)
	}
	return b.String()
}
