package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/events/journal"
	"witnessmark/events/seal"
)

func newSeal() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "seal",
		Short: "Show seals and the public key; change the key",
		Long: `A seal is a signed checkpoint over the whole journal (C2SP checkpoint, Ed25519).
The service makes one at each release of a job, and every hour while there is
anything new. Whoever holds a seal and the public key can prove that nothing
before it was altered, dropped or added since: see 'witnessmark verify'.

Give the public key, and now and then the newest seal, to somebody else to
keep: the customer, a second machine, a printout. The secret key is the file
seals/key in the data directory; whoever has it can sign in the shop's name.

A lost key: what it signed stays valid, but nothing more can be signed with it.
'seal rotate' begins a new one; the old public key stays in seals/keys.old.
A stolen key: rotate it, and tell everybody who holds it from which seal on the
old one no longer counts.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newSealKey(), newSealList(), newSealRotate())
	return cmd
}

// sealsDir is where key, log and checkpoints lie.
func (c config) sealsDir() string { return filepath.Join(c.Data, "seals") }

func newSealKey() *cobra.Command {
	cmd := &cobra.Command{
		Use: "key", Short: "Print the public key, and those it replaced", Args: cobra.NoArgs,
		Example: "  witnessmark seal key > fenholt.pub",
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			keys, err := seal.Publics(cfg.sealsDir())
			if errors.Is(err, fs.ErrNotExist) {
				return fmt.Errorf("no key in %s yet: the service makes one when it first starts", cfg.sealsDir())
			}
			if err != nil {
				return err
			}
			for _, k := range keys {
				fmt.Fprintln(c.OutOrStdout(), k)
			}
			return nil
		},
	}
	addConfigFlags(cmd, "data")
	return cmd
}

func newSealList() *cobra.Command {
	cmd := &cobra.Command{
		Use: "list", Short: "List the seals, oldest first", Args: cobra.NoArgs,
		Long: `Lists the seals, oldest first. With --notes the signed checkpoints themselves are
printed, as C2SP signed notes, for somebody else to keep.`,
		Example: "  witnessmark seal list\n  witnessmark seal list --notes > seals.txt",
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			seals, err := seal.Checkpoints(cfg.sealsDir())
			if err != nil {
				return err
			}
			if len(seals) == 0 {
				return fmt.Errorf("no seal in %s yet: the service makes one at each release, and every hour", cfg.sealsDir())
			}
			notes, _ := c.Flags().GetBool("notes")
			for _, m := range seals {
				if notes {
					fmt.Fprintln(c.OutOrStdout(), m.Note)
					continue
				}
				fmt.Fprintf(c.OutOrStdout(), "%s  entries 1 to %d  %s %s  %s\n", m.AtUs.Time().Format(time.RFC3339), m.Size, m.Why, m.Job, m.Key)
			}
			return nil
		},
	}
	cmd.Flags().Bool("notes", false, "print the signed checkpoints")
	addConfigFlags(cmd, "data")
	return cmd
}

func newSealRotate() *cobra.Command {
	cmd := &cobra.Command{
		Use: "rotate", Short: "Retire the key and begin a new one", Args: cobra.NoArgs,
		Long: `Retires the signing key and makes a new one. Stop the service first. Old seals
stay valid under the old public key, which is kept in seals/keys.old; records
made from now on are signed by the new one. Give the new public key to whoever
had the old one.`,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			if g, ok, err := journal.Look(cfg.journalDir()); err == nil && ok && g.Open {
				return errors.New("the service is running and would go on with the old key: stop it first")
			}
			shop, err := readShop(cfg.Shop)
			if err != nil {
				return err
			}
			k, err := seal.Rotate(cfg.sealsDir(), shop.ID)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "new public key: %s\n", k.Public)
			return err
		},
	}
	addConfigFlags(cmd, "data", "shop")
	return cmd
}

func newRecord() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "record JOB",
		Short: "Export the sealed record of a job: a file that proves itself offline",
		Long: `Asks the running service for the sealed record of a job: every fact that
concerned it, byte for byte as it lies in the journal, what was decided on each,
the procedure, the proof that each of these is in the sealed journal, and the
signed checkpoint. 'witnessmark verify FILE' checks it with the public key and
nothing else.`,
		Example: "  witnessmark record j-1042 -o j-1042.sealed.json\n  witnessmark verify j-1042.sealed.json --key fenholt.pub",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			return fetchRecord(c, cfg, args[0], flag(c, "output"))
		},
	}
	cmd.Flags().String("server", "", "address of the running service; default: http:// and the setting listen")
	cmd.Flags().StringP("output", "o", "", "file to write; default: JOB.sealed.json")
	addConfigFlags(cmd, "listen")
	return cmd
}

func fetchRecord(c *cobra.Command, cfg config, job, output string) error {
	server := serverOf(c, cfg)
	client, err := clientOf(cfg, server)
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(c.Context(), http.MethodGet, server+"/jobs/"+url.PathEscape(job)+"/sealed", nil)
	if err != nil {
		return usageError("server %q is no address: %v", server, err)
	}
	req.Header.Set("Accept", "application/json")
	resp, err := client.Do(req)
	if err != nil {
		return fmt.Errorf("ask for the record of %s: %w; is the service running ('witnessmark serve')? name its address with --server", job, err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		return fmt.Errorf("read record of %s: %w", job, err)
	}
	if resp.StatusCode != http.StatusOK {
		var e struct {
			Text string `json:"error"`
			Todo string `json:"todo"`
		}
		if json.Unmarshal(b, &e) == nil && e.Text != "" {
			return fmt.Errorf("record of %s: %s %s", job, e.Text, e.Todo)
		}
		return fmt.Errorf("record of %s: the service answers %s", job, resp.Status)
	}
	if output == "" {
		output = job + ".sealed.json"
	}
	if output == "-" {
		_, err = c.OutOrStdout().Write(b)
		return err
	}
	if err := os.WriteFile(output, b, 0o644); err != nil {
		return fmt.Errorf("write record: %w", err)
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), "%s: %d bytes; check it with 'witnessmark verify %s --key FILE'\n", output, len(b), output)
	return err
}
