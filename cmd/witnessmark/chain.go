package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"witnessmark/events/journal"
	"witnessmark/events/ledger"
	"witnessmark/events/seal"
)

func newChain() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "chain",
		Short: "Look at all shops of a chain, at the hub that keeps copies of their journals",
		Long: `A hub is a store ('witnessmark store --takes ADDRESS') into which the stores of
shops dial ('witnessmark store --hub ADDRESS --of SHOP'). It keeps a copy of each
shop's journal: every entry at its own sequence, as the shop has it. While the
hub or the line is away the shops go on, and afterwards the copy has it all.
Nobody can write to a copy, so all commands here only look. A service whose setting
chain names the hub shows the same on its page Chain.

--nats-url names the hub. What is read there is kept as a ledger of each shop in
the directory --data, which can be deleted at any time.`,
		Example: `  witnessmark store --takes 10.0.0.9:7422 --secret-file secret --tls-cert hub.pem --tls-key hub.key --trust shops.pem     # at the hub
  witnessmark store --hub 10.0.0.9:7422 --of fenholt --secret-file secret --tls-cert shop.pem --tls-key shop.key --trust hub.pem   # at the shop
  witnessmark chain add fenholt --nats-url nats://127.0.0.1:4222 --nats-secret secret --nats-trust hub.pem
  witnessmark chain list
  witnessmark chain jobs --open
  witnessmark chain verify fenholt --key fenholt.pub`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newChainAdd(), newChainList(), newChainTable("jobs", "List the jobs of all shops, newest first of each", chainJobs),
		newChainTable("tools", "List the tools of all shops", chainTools),
		newChainTable("alerts", "List the open alerts of all shops", chainAlerts), newChainVerify())
	return cmd
}

// chainFlags says where the hub is.
func chainFlags(cmd *cobra.Command) {
	addConfigFlags(cmd, "data", "nats_url", "journal_max", "log_level")
}

// hub connects to the hub.
func hub(c *cobra.Command) (config, *nats.Conn, error) {
	cfg, err := loadConfig(c)
	if err != nil {
		return cfg, nil, err
	}
	if cfg.NATSURL == "" {
		return cfg, nil, usageError("where is the hub? name its store with --nats-url")
	}
	link, err := cfg.link()
	if err != nil {
		return cfg, nil, err
	}
	nc, err := link.Connect(cfg.NATSURL, nats.Name("witnessmark chain"))
	if err != nil {
		return cfg, nil, fmt.Errorf("reach the hub: %w", err)
	}
	return cfg, nc, nil
}

func newChainAdd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "add SHOP...",
		Short: "Begin to keep a copy of a shop's journal",
		Long: `Makes the hub keep a copy of a shop's journal, its beginning too. The shop's store
must have dialled in, and its service must have run once.`,
		Example: "  witnessmark chain add fenholt --nats-url nats://127.0.0.1:4222",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, shops []string) error {
			cfg, nc, err := hub(c)
			if err != nil {
				return err
			}
			defer nc.Close()
			most, err := parseSize(cfg.JournalMax)
			if err != nil {
				return err
			}
			for _, shop := range shops {
				if err := journal.Mirror(c.Context(), nc, shop, int64(most)); err != nil {
					return err
				}
				fmt.Fprintf(c.OutOrStdout(), "%s: the hub keeps a copy\n", shop)
			}
			return nil
		},
	}
	chainFlags(cmd)
	return cmd
}

// chainShop is a shop as the list shows it.
type chainShop struct {
	Shop       string   `json:"shop"`
	Name       string   `json:"name"`
	Entries    uint64   `json:"entries"`
	Lag        uint64   `json:"lag"`
	HeardS     *float64 `json:"heard_ago_s"` // null: never since the hub was started
	JobsOpen   int      `json:"jobs_open"`
	Jobs       int      `json:"jobs"`
	Tools      int      `json:"tools"`
	OpenAlerts int      `json:"open_alerts"`
}

func newChainList() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the shops, how far the copy of each is, and what is open there",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			shops := []chainShop{}
			err := eachShop(c, "", func(ctx context.Context, s journal.CopyState, _ *journal.Journal, l *ledger.Ledger) error {
				row := chainShop{Shop: s.Shop, Entries: s.Entries, Lag: s.Lag}
				if s.Heard >= 0 {
					ago := s.Heard.Seconds()
					row.HeardS = &ago
				}
				jobs, err := l.Jobs(ctx, ledger.JobFilter{})
				if err != nil {
					return err
				}
				for i := range jobs {
					if jobs[i].Open() {
						row.JobsOpen++
					}
				}
				row.Jobs = len(jobs)
				alerts, err := l.OpenAlerts(ctx)
				if err != nil {
					return err
				}
				row.OpenAlerts = len(alerts)
				now, err := l.ShopNow(ctx)
				if err != nil && !errors.Is(err, ledger.ErrUnknown) {
					return err
				}
				row.Name, row.Tools = now.Name, len(now.Tools)
				shops = append(shops, row)
				return nil
			})
			if err != nil {
				return err
			}
			return printRows(c, shops, "shop\tname\tentries\tbehind\theard\tjobs open\tjobs\ttools\topen alerts", func(s chainShop) string {
				heard := "never"
				if s.HeardS != nil {
					heard = time.Duration(*s.HeardS*float64(time.Second)).Round(time.Second).String() + " ago"
				}
				return fmt.Sprintf("%s\t%s\t%d\t%d\t%s\t%d\t%d\t%d\t%d", s.Shop, s.Name, s.Entries, s.Lag, heard, s.JobsOpen, s.Jobs, s.Tools, s.OpenAlerts)
			})
		},
	}
	cmd.Flags().Bool("json", false, "print JSON")
	chainFlags(cmd)
	return cmd
}

// chainRow is a line of a table over shops.
type chainRow struct {
	Shop  string   `json:"shop"`
	Cells []string `json:"-"`
	Data  any      `json:"data"`
}

type chainQuery struct {
	head string
	rows func(ctx context.Context, c *cobra.Command, l *ledger.Ledger) ([]chainRow, error)
	add  func(*cobra.Command)
}

func newChainTable(use, short string, q chainQuery) *cobra.Command {
	cmd := &cobra.Command{
		Use: use, Short: short, Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			rows := []chainRow{}
			only, _ := c.Flags().GetString("only")
			err := eachShop(c, only, func(ctx context.Context, s journal.CopyState, _ *journal.Journal, l *ledger.Ledger) error {
				some, err := q.rows(ctx, c, l)
				for _, r := range some {
					r.Shop = s.Shop
					rows = append(rows, r)
				}
				return err
			})
			if err != nil {
				return err
			}
			return printRows(c, rows, "shop\t"+q.head, func(r chainRow) string {
				line := r.Shop
				for _, cell := range r.Cells {
					line += "\t" + cell
				}
				return line
			})
		},
	}
	cmd.Flags().Bool("json", false, "print JSON")
	cmd.Flags().String("only", "", "of this shop only")
	if q.add != nil {
		q.add(cmd)
	}
	chainFlags(cmd)
	return cmd
}

var chainJobs = chainQuery{
	head: "job\tunit\tprocedure\tstatus\tbench\topen alerts",
	add: func(cmd *cobra.Command) {
		cmd.Flags().Bool("open", false, "only jobs that have not ended")
		cmd.Flags().Int("most", 50, "so many of each shop at most")
	},
	rows: func(ctx context.Context, c *cobra.Command, l *ledger.Ledger) (rows []chainRow, err error) {
		var f ledger.JobFilter
		f.Open, _ = c.Flags().GetBool("open")
		f.Limit, _ = c.Flags().GetInt("most")
		jobs, err := l.Jobs(ctx, f)
		for _, j := range jobs {
			rows = append(rows, chainRow{Data: j, Cells: []string{j.Job, j.UnitSerial, j.Procedure + " " + j.Revision, j.Status, j.BenchNow, fmt.Sprint(j.OpenAlerts)}})
		}
		return rows, err
	},
}

var chainTools = chainQuery{
	head: "tool\tname\tkind\tserial\tdue",
	rows: func(ctx context.Context, _ *cobra.Command, l *ledger.Ledger) (rows []chainRow, err error) {
		now, err := l.ShopNow(ctx)
		if errors.Is(err, ledger.ErrUnknown) {
			return nil, nil
		}
		for _, t := range now.Tools {
			rows = append(rows, chainRow{Data: t, Cells: []string{t.ID, t.Name, string(t.Kind), t.Serial, t.Due}})
		}
		return rows, err
	},
}

var chainAlerts = chainQuery{
	head: "alert\tkind\tbench\tjob\tsince (UTC)\ttext",
	rows: func(ctx context.Context, _ *cobra.Command, l *ledger.Ledger) (rows []chainRow, err error) {
		alerts, err := l.OpenAlerts(ctx)
		for _, a := range alerts {
			rows = append(rows, chainRow{Data: a, Cells: []string{a.Alert, string(a.Kind), a.Bench, a.Job, a.AtUs.Time().Format("2006-01-02 15:04"), a.Text}})
		}
		return rows, err
	},
}

func newChainVerify() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "verify SHOP",
		Short: "Hold the copy of a shop's journal against the seals in it",
		Long: `Reads the whole copy and holds it against every seal that the shop made, with the
public key that the shop gave ('witnessmark seal key' prints it there). It needs
nothing else of the shop. Exit status 0: all is as it was sealed. A copy that
ends early shows in 'chain list', as entries that it is behind.`,
		Example: "  witnessmark chain verify fenholt --key fenholt.pub",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			keys, err := keysFrom(flag(c, "key"))
			if err != nil {
				return err
			}
			cfg, nc, err := hub(c)
			if err != nil {
				return err
			}
			nc.Close()
			j, err := openCopy(c.Context(), cfg, args[0])
			if err != nil {
				return err
			}
			defer j.Close()
			var n uint64
			r, err := seal.VerifyCopy(c.Context(), j, args[0], keys, showProgress(c, &n))
			fmt.Fprintln(c.ErrOrStderr())
			if err != nil {
				return err
			}
			return tell(c, r, fmt.Sprintf("%s: %d entries; %d seals hold; sealed up to J%d by %s\n", args[0], r.Entries, r.Seals, r.Size, r.Key))
		},
	}
	cmd.Flags().String("key", "", "public key of the shop, or a file with it")
	cmd.Flags().Bool("json", false, "print JSON")
	chainFlags(cmd)
	return cmd
}

func openCopy(ctx context.Context, cfg config, shop string) (*journal.Journal, error) {
	link, err := cfg.link()
	if err != nil {
		return nil, err
	}
	return journal.Open(ctx, journal.Config{Shop: shop, URL: cfg.NATSURL, Link: link, Copy: true, Log: cfg.logger()})
}

// eachShop calls fn with each shop of the hub, or the one named, once its
// ledger here has all that the copy has.
func eachShop(c *cobra.Command, only string, fn func(context.Context, journal.CopyState, *journal.Journal, *ledger.Ledger) error) error {
	cfg, nc, err := hub(c)
	if err != nil {
		return err
	}
	defer nc.Close()
	all, err := journal.Copies(c.Context(), nc)
	if err != nil {
		return err
	}
	found := false
	for _, s := range all {
		if only != "" && s.Shop != only {
			continue
		}
		found = true
		if err := withShop(c.Context(), cfg, s, fn); err != nil {
			return fmt.Errorf("shop %s: %w", s.Shop, err)
		}
	}
	if only != "" && !found {
		return fmt.Errorf("the hub keeps no copy of shop %q; 'witnessmark chain add %s' makes it keep one", only, only)
	}
	return nil
}

func withShop(ctx context.Context, cfg config, s journal.CopyState, fn func(context.Context, journal.CopyState, *journal.Journal, *ledger.Ledger) error) (err error) {
	j, err := openCopy(ctx, cfg, s.Shop)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	dir := cfg.chainDir()
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return fmt.Errorf("make directory for ledgers: %w", err)
	}
	l, err := ledger.Open(ctx, ledger.Config{Path: filepath.Join(dir, s.Shop+".db"), Log: cfg.logger()})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	run, stop := context.WithCancel(ctx)
	var g errgroup.Group
	g.Go(func() error { return l.Run(run, j) })
	err = l.WaitFor(ctx, j.Last())
	stop()
	if err = errors.Join(err, ignoreCancel(g.Wait())); err != nil {
		return err
	}
	return fn(ctx, s, j, l)
}

// printRows prints rows as a table, or as JSON with --json.
func printRows[T any](c *cobra.Command, rows []T, head string, line func(T) string) error {
	if asJSON, _ := c.Flags().GetBool("json"); asJSON {
		enc := json.NewEncoder(c.OutOrStdout())
		enc.SetIndent("", "  ")
		return enc.Encode(rows)
	}
	t := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, head)
	for _, r := range rows {
		fmt.Fprintln(t, line(r))
	}
	return t.Flush()
}
