package main

import (
	"context"
	"fmt"
	"net"
	"time"

	"github.com/spf13/cobra"
)

func newServe() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Run the service: capture, rules, ledger and pages",
		Long: `Runs everything in one process: reads the tools that the shop file names, keeps
every reading in the journal, runs the rules, and serves the pages. Needs a
shop file ('witnessmark shop example' prints one). Stop it with Ctrl-C.

With --role rules it is one more process that decides, beside a service whose
journal is at the same NATS server (nats_url). The jobs are divided between
them; when one is lost, the others take over its jobs within a few seconds.

With --role bench it captures and nothing else, on a machine at a bench, and
hands on to the shop what it took; see 'witnessmark bench-box'.

` + caution,
		Example: `  witnessmark serve
  witnessmark serve --data /var/lib/witnessmark --shop /etc/witnessmark/shop.yaml
  witnessmark serve --role rules --nats-url nats://10.0.0.5:4222 --data /var/lib/witnessmark-rules
  WITNESSMARK_LOG_FORMAT=json witnessmark serve --print-config`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			if show, _ := c.Flags().GetBool("print-config"); show {
				_, err := fmt.Fprint(c.OutOrStdout(), cfg.print())
				return err
			}
			switch role, _ := c.Flags().GetString("role"); role {
			case roleShop:
				return serve(c, cfg)
			case roleRules:
				return serveRules(c, cfg)
			case roleBench:
				return serveBox(c, cfg)
			default:
				return usageError("--role is %q: want %s, %s or %s", role, roleShop, roleRules, roleBench)
			}
		},
	}
	addConfigFlags(cmd)
	addAcceptLoss(cmd)
	cmd.Flags().String("role", roleShop, "what this process does: shop (all of it), or rules (it shares the rules of a shop at nats_url, and has no tools and no pages), or bench (it captures at a bench, see bench-box)")
	cmd.Flags().Bool("print-config", false, "print the settings in force, as a configuration file, and stop")
	return cmd
}

func serve(c *cobra.Command, cfg config) error {
	shop, err := readShop(cfg.Shop)
	if err != nil {
		return err
	}
	s, err := openStack(c.Context(), cfg, shop)
	if err != nil {
		return err
	}
	for _, wrong := range wrongDates(shop.Tools, time.Now()) {
		s.log.Warn("a date in the shop file cannot be true", "wrong", wrong)
	}
	return s.run(c.Context(), func(context.Context) error {
		fmt.Fprintf(c.ErrOrStderr(), "%s is being watched over. Pages: %s  (Ctrl-C stops)\n", shop.Name, s.url())
		for _, b := range shop.Benches {
			fmt.Fprintf(c.ErrOrStderr(), "  %-24s %s/bench/%s\n", b.Name, s.url(), b.ID)
		}
		s.offerOwnerCode(c.ErrOrStderr())
		return nil
	})
}

// url is the address of the pages as a browser on this machine takes it.
func (s *stack) url() string {
	if s.cfg.TLSCert != "" {
		return "https://" + s.listen.Addr().String()
	}
	return "http://" + s.listen.Addr().String()
}

func isLoopback(a net.Addr) bool {
	t, ok := a.(*net.TCPAddr)
	return ok && t.IP.IsLoopback()
}
