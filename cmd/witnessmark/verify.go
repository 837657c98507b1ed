package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/events/journal"
	"witnessmark/events/seal"
)

func newVerify() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "verify [FILE]",
		Short: "Prove that a record file, or the whole journal, is as it was sealed",
		Long: `With FILE, checks the sealed record of a job, offline: that every entry in it is
in the journal that the shop sealed, byte for byte and at its place, and that
none of the job's facts is missing. What was altered, dropped, added or put in
another order is named by its journal sequence. Give the public key that the
shop gave you with --key: a file, or the key itself.

Without FILE, holds the whole journal in the data directory against its seals, and
each photo and each outside laboratory's certificate against its SHA-256 there.
Stop the service first: only one process may have the journal open. The journal
is left as it is; where its files are damaged so that a start would cut them,
verify stops there, and 'witnessmark mend --dry-run' names what is lost.

With --checkpoints, a directory in which checkpoints were kept on another
machine (setting checkpoints), the journal is held against those as well: they
show a history that was rewritten even by somebody who has the signing key, one
that lost its end with all its seals, and a shop that goes on at two places.
Where the data directory has no journal, they are held against each other alone,
by their consistency proofs: that works on the other machine, with --key.

Exit status 0: all is as it was sealed. 1: it is not, or cannot be checked.`,
		Example: "  witnessmark verify j-1042.sealed.json --key fenholt.pub\n  witnessmark verify --data witnessmark-data",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			keys, err := keysFrom(flag(c, "key"))
			if err != nil {
				return err
			}
			if len(args) == 1 {
				return verifyFile(c, args[0], keys)
			}
			if dir := flag(c, "checkpoints"); dir != "" {
				cfg, err := loadConfig(c)
				if err != nil {
					return err
				}
				if _, ok, err := journal.Look(cfg.journalDir()); err == nil && !ok && cfg.NATSURL == "" {
					return verifyKept(c, dir, keys)
				}
			}
			return verifyJournal(c, keys)
		},
	}
	cmd.Flags().String("key", "", "public key, or a file of public keys, as 'witnessmark seal key' prints them")
	// Not the setting of that name: these are to be read.
	cmd.Flags().String("checkpoints", "", "directory in which checkpoints were kept elsewhere")
	cmd.Flags().Bool("open", false, "the job is not released yet: do not ask for its release")
	cmd.Flags().Bool("json", false, "print JSON")
	addConfigFlags(cmd, "data", "shop", "nats_url")
	return cmd
}

// keysFrom reads public keys from a file, or takes the text for one; nil
// without either.
func keysFrom(v string) ([]string, error) {
	if v == "" {
		return nil, nil
	}
	b, err := os.ReadFile(v)
	switch {
	case err == nil:
		if keys := strings.Fields(string(b)); len(keys) > 0 {
			return keys, nil
		}
		return nil, fmt.Errorf("%s holds no key", v)
	case errors.Is(err, fs.ErrNotExist) && strings.Count(v, "+") >= 2:
		return []string{v}, nil
	}
	return nil, fmt.Errorf("read public key: %w; give a file, or the key itself", err)
}

func verifyFile(c *cobra.Command, name string, keys []string) error {
	b, err := os.ReadFile(name)
	if err != nil {
		return fmt.Errorf("read record: %w", err)
	}
	var rec seal.Record
	if err := json.Unmarshal(b, &rec); err != nil || rec.Form == 0 {
		return fmt.Errorf("%s is no sealed record (%v); 'witnessmark record JOB' makes one", name, orText(err, "it does not say so"))
	}
	own := keys == nil
	if own {
		keys = rec.Keys
	}
	r, err := seal.VerifyRecord(&rec, keys)
	if err != nil {
		return err
	}
	if own {
		r.Notes = append(r.Notes, "The record was held against the key in the file itself. Whoever made another record could put another key in: give the shop's key with --key.")
	}
	if open, _ := c.Flags().GetBool("open"); !r.Released && !open {
		r.Findings = append(r.Findings, seal.Finding{Text: "the record holds no release: either the job is still open (then say --open), or the end of the record was cut off"})
	}
	return tell(c, r, fmt.Sprintf("%s: job %s, %s, %d entries, all as sealed by %s; %d facts, none missing\n", name, r.Job, r.Procedure, r.Entries, r.Key, r.Facts))
}

func orText(err error, text string) any {
	if err != nil {
		return err
	}
	return text
}

func verifyJournal(c *cobra.Command, keys []string) error {
	cfg, err := loadConfig(c)
	if err != nil {
		return err
	}
	shop, err := readShop(cfg.Shop)
	if err != nil {
		return err
	}
	j, err := openJournalWith(c.Context(), cfg, shop.ID, func(j *journal.Config) { j.LookOnly = true })
	if err != nil {
		return err
	}
	defer j.Close()
	var n uint64
	r, err := seal.VerifyAgainst(c.Context(), j, cfg.sealsDir(), shop.ID, keys, flag(c, "checkpoints"), showProgress(c, &n))
	fmt.Fprintln(c.ErrOrStderr())
	if err != nil {
		return err
	}
	good := fmt.Sprintf("%d entries; %d seals hold; sealed up to J%d by %s\n", r.Entries, r.Seals, r.Size, r.Key)
	restored, err := restoredWords(c.Context(), j)
	if err != nil {
		return err
	}
	if restored != "" {
		r.Notes = append(r.Notes, restored)
	}
	if r.Files > 0 {
		good += fmt.Sprintf("%d photos and certificate files are what the journal says\n", r.Files)
	}
	if r.Kept > 0 {
		good += fmt.Sprintf("%d checkpoints kept elsewhere agree\n", r.Kept)
	}
	return tell(c, r, good)
}

// verifyKept holds checkpoints against each other.
func verifyKept(c *cobra.Command, dir string, keys []string) error {
	if keys == nil {
		return usageError("checkpoints on their own are held against the shop's public key: name it with --key")
	}
	kept, err := seal.ReadKept(dir, keys)
	if err != nil {
		return err
	}
	if len(kept) == 0 {
		return fmt.Errorf("%s holds no checkpoint", dir)
	}
	r := seal.CheckKept(kept, "")
	return tell(c, r, fmt.Sprintf("%s: %d checkpoints, each continues the one before; the newest is over J1 to J%d, signed by %s\n", dir, len(kept), r.Size, r.Key))
}

// tell prints a result; good is what to say if nothing was found.
func tell(c *cobra.Command, r *seal.Result, good string) error {
	if asJSON, _ := c.Flags().GetBool("json"); asJSON {
		enc := json.NewEncoder(c.OutOrStdout())
		enc.SetIndent("", "  ")
		if err := enc.Encode(r); err != nil {
			return err
		}
	} else {
		if r.OK() {
			fmt.Fprint(c.OutOrStdout(), good)
		}
		fmt.Fprint(c.OutOrStdout(), r.Text())
	}
	if !r.OK() {
		what := "not as sealed"
		if len(r.Findings) == 0 {
			what = "all is as sealed, but not all files are there"
		}
		return exitCode{1, fmt.Errorf("%s: %d finding(s)", what, len(r.Findings)+len(r.Absent))}
	}
	return nil
}
