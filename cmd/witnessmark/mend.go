package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/seal"
)

func newMend() *cobra.Command {
	var from []string
	var dry, asJSON bool
	cmd := &cobra.Command{
		Use:   "mend",
		Short: "Bring back what a damaged journal has lost, from what is left and from copies",
		Long: `Reads the files of the journal itself, without the server, so that one damaged
entry costs no other. What is lost is taken from blocks that were put aside when
the service started, and from the copies that --from names: a data directory, its
journal, or a backup of either. Every entry is held against the seals: of two
that differ, the one that was sealed is taken, and an entry that a seal speaks
against fills nothing. What a copy gave and no signed seal covers is named.

If that makes the journal better its store is written anew, read back, and only
then put in place; the old one stays in journal/damaged. What is lost for good
is named, and its sequences are never given again. Afterwards the whole journal
is verified against its seals. Then run 'witnessmark rebuild', which makes the
ledger anew.

Stop the service first. A copy is only read. Copy the data directory aside before
you mend anything that matters, and find out why it was damaged: a disk that
has lost one block will lose more.

Exit status 0: nothing is missing or altered. 1: something is.`,
		Example: `  witnessmark mend --dry-run
  witnessmark mend --from /mnt/backup/witnessmark-data
  witnessmark mend --from /mnt/a --from /mnt/b && witnessmark rebuild`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			if cfg.NATSURL != "" {
				return usageError("mend works on the embedded server's files; at %s the server's own tools do", journal.NoSecret(cfg.NATSURL))
			}
			shop, err := readShop(cfg.Shop)
			if err != nil {
				return err
			}
			return mend(c, cfg, shop.ID, from, dry, asJSON)
		},
	}
	cmd.Flags().StringArrayVar(&from, "from", nil, "a copy of the data directory or of the journal; may be given more than once")
	cmd.Flags().BoolVar(&dry, "dry-run", false, "say what would be done and change nothing")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	addConfigFlags(cmd, "data", "shop", "nats_url")
	return cmd
}

func mend(c *cobra.Command, cfg config, shop string, from []string, dry, asJSON bool) error {
	m, err := mendJournal(c.Context(), cfg, shop, from, dry)
	if err != nil {
		return err
	}
	var r *seal.Result
	if !dry {
		if r, err = verifyMended(c, cfg, shop); err != nil {
			return err
		}
	}
	if asJSON {
		enc := json.NewEncoder(c.OutOrStdout())
		enc.SetIndent("", "  ")
		err = enc.Encode(struct {
			*journal.Mended
			Verified *seal.Result `json:"verified,omitempty"`
		}{m, r})
	} else {
		err = tellMended(c.OutOrStdout(), m, r, dry)
	}
	if err == nil && (len(m.Missing) > 0 || len(m.Altered) > 0 || r != nil && !r.OK()) {
		return exitCode{1, errors.New("the journal is not whole; what is missing or altered is named above")}
	}
	return err
}

// mendJournal mends the journal by what seals and ledger know.
func mendJournal(ctx context.Context, cfg config, shop string, from []string, dry bool) (*journal.Mended, error) {
	prover, err := seal.OpenProver(cfg.sealsDir())
	if err != nil {
		return nil, err
	}
	known := uint64(0)
	for _, w := range cfg.witnesses(ctx) {
		known = max(known, w.Last)
	}
	m, err := journal.Mend(ctx, journal.MendConfig{
		Shop: shop, Dir: cfg.journalDir(), From: from, Known: known, DryRun: dry, Log: cfg.logger(),
		Prove: func(w *events.Written) journal.Proof { return proofOf(prover, w) },
	})
	return m, errors.Join(err, prover.Close())
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
func verifyMended(c *cobra.Command, cfg config, shop string) (*seal.Result, error) {
	seals, err := seal.Checkpoints(cfg.sealsDir())
	if err != nil || len(seals) == 0 {
		return nil, err
	}
	j, err := openJournal(c.Context(), cfg, shop)
	if err != nil {
		return nil, err
	}
	defer j.Close()
	return seal.VerifyJournal(c.Context(), j, cfg.sealsDir(), shop, nil, nil)
}

func tellMended(out io.Writer, m *journal.Mended, r *seal.Result, dry bool) error {
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
	line("MISSING: name a copy with --from", m.Missing)
	switch {
	case dry:
		b.WriteString("nothing was changed (--dry-run)\n")
	case m.Changed:
		fmt.Fprintf(&b, "the store was written anew; the old one is in %s\nnow run 'witnessmark rebuild'\n", m.KeptAs)
	default:
		b.WriteString("there was nothing to mend\n")
	}
	if r != nil {
		if r.OK() {
			fmt.Fprintf(&b, "%d seals hold; sealed up to J%d by %s\n", r.Seals, r.Size, r.Key)
		}
		b.WriteString(r.Text())
	}
	_, err := io.WriteString(out, b.String())
	return err
}
