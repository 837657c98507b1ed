package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"witnessmark/dashboards/access"
	"witnessmark/events"
)

func newAccess() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "access",
		Short: "Who may do what: make an owner, give secrets, enrol screens, see what was refused",
		Long: `Until there is an owner, nobody signs in, and the service answers on this
machine alone. 'witnessmark serve' prints an owner code; 'access begin' makes an
owner with it, who then gives the others their secrets and enrols the screens
at the benches. Who there is, and with which role, the shop file says.

Secrets are asked for at the terminal, or read from standard input: one line
each. They are never given as flags, where others could see them.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newAccessBegin(), newAccessList(), newAccessSecret(), newAccessForget(), newAccessCode(), newAccessEnrol(), newAccessRemove(), newAccessRefusals(), newAccessReset())
	return cmd
}

// addServerFlags gives cmd what it needs to find the service.
func addServerFlags(cmd *cobra.Command) {
	cmd.Flags().String("server", "", "address of the running service; default: that of the setting listen")
	addConfigFlags(cmd, "listen", "tls_cert", "tls_key")
}

// postAccess sends a form about access and reads the answer into out.
func postAccess(c *cobra.Command, path string, form url.Values, out any) error {
	return askAccess(c, http.MethodPost, path, form, out)
}

func askAccess(c *cobra.Command, method, path string, form url.Values, out any) error {
	cfg, err := loadConfig(c)
	if err != nil {
		return err
	}
	server := serverOf(c, cfg)
	client, err := clientOf(cfg, server)
	if err != nil {
		return err
	}
	r, err := http.NewRequestWithContext(c.Context(), method, server+path, strings.NewReader(form.Encode()))
	if err != nil {
		return usageError("server %q is no address: %v", server, err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Accept", "application/json")
	resp, err := client.Do(r)
	if err != nil {
		return fmt.Errorf("ask %s: %w; is 'witnessmark serve' running there?", server, err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(io.LimitReader(resp.Body, 4<<20))
	if err != nil {
		return fmt.Errorf("read answer: %w", err)
	}
	if resp.StatusCode != http.StatusOK {
		var e struct{ Error, Todo string }
		if json.Unmarshal(b, &e) == nil && e.Error != "" {
			return errors.New(strings.TrimSpace(e.Error + " " + e.Todo))
		}
		return fmt.Errorf("service answered %s", resp.Status)
	}
	if err := json.Unmarshal(b, out); err != nil {
		return fmt.Errorf("read answer: %w", err)
	}
	return nil
}

// askSecret asks for a secret: at a terminal without showing it, else one line
// of standard input.
func askSecret(c *cobra.Command, in *bufio.Reader, question string) (string, error) {
	if f, ok := c.InOrStdin().(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		fmt.Fprint(c.ErrOrStderr(), question+": ")
		b, err := term.ReadPassword(int(f.Fd()))
		fmt.Fprintln(c.ErrOrStderr())
		if err != nil {
			return "", fmt.Errorf("read secret: %w", err)
		}
		return string(b), nil
	}
	line, err := in.ReadString('\n')
	if err != nil && (line == "" || !errors.Is(err, io.EOF)) {
		return "", fmt.Errorf("read %s from standard input, one line: %w", strings.ToLower(question), err)
	}
	return strings.TrimRight(line, "\r\n"), nil
}

// askNewSecret asks for a new secret: at a terminal twice.
func askNewSecret(c *cobra.Command, in *bufio.Reader, whose string) (url.Values, error) {
	secret, err := askSecret(c, in, "New passphrase or secret badge code of "+whose)
	if err != nil {
		return nil, err
	}
	again := secret
	if f, ok := c.InOrStdin().(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		if again, err = askSecret(c, in, "The same once more"); err != nil {
			return nil, err
		}
	}
	return url.Values{"person": {whose}, "secret": {secret}, "again": {again}}, nil
}

func newAccessBegin() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "begin PERSON",
		Short:   "Make an owner with the code that the service printed: from then on people sign in",
		Example: "  witnessmark access begin ruth",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			in := bufio.NewReader(c.InOrStdin())
			code, err := askSecret(c, in, "Owner code")
			if err != nil {
				return err
			}
			form, err := askNewSecret(c, in, args[0])
			if err != nil {
				return err
			}
			form.Set("code", code)
			if err := postAccess(c, "/begin", form, &struct{}{}); err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s is owner; next: 'witnessmark sign-in %s'\n", args[0], args[0])
			return err
		},
	}
	addServerFlags(cmd)
	return cmd
}

func newAccessSecret() *cobra.Command {
	cmd := &cobra.Command{
		Use: "secret PERSON", Short: "Give a person a secret to sign in with; the person's sessions end",
		Example: "  witnessmark access secret ines",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			form, err := askNewSecret(c, bufio.NewReader(c.InOrStdin()), args[0])
			if err != nil {
				return err
			}
			if err := postAccess(c, "/access/secret", form, &struct{}{}); err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s can sign in with the new secret\n", args[0])
			return err
		},
	}
	addServerFlags(cmd)
	return cmd
}

func newAccessForget() *cobra.Command {
	cmd := &cobra.Command{
		Use: "forget PERSON", Short: "Take a person's secret away; the person's sessions end",
		Example: "  witnessmark access forget tomas",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := postAccess(c, "/access/forget", url.Values{"person": {args[0]}}, &struct{}{}); err != nil {
				return err
			}
			_, err := fmt.Fprintf(c.OutOrStdout(), "%s cannot sign in any more\n", args[0])
			return err
		},
	}
	addServerFlags(cmd)
	return cmd
}

func newAccessCode() *cobra.Command {
	cmd := &cobra.Command{
		Use: "code NAME", Short: "Draw a code that enrols one device: a bench screen, or a program that reads metrics",
		Example: "  witnessmark access code axle-screen --bench axle     # then open /enrol on that screen\n  witnessmark access code prometheus --monitor",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			form := url.Values{"name": {args[0]}, "kind": {access.KindScreen}, "bench": {flag(c, "bench")}}
			if m, _ := c.Flags().GetBool("monitor"); m {
				form.Set("kind", access.KindMonitor)
			} else if flag(c, "bench") == "" {
				return usageError("name the bench of the screen with --bench, or give --monitor")
			}
			var got struct {
				Code    string
				Minutes int
			}
			if err := postAccess(c, "/access/enrol", form, &got); err != nil {
				return err
			}
			_, err := fmt.Fprintf(c.OutOrStdout(), "%s\n", got.Code)
			fmt.Fprintf(c.ErrOrStderr(), "good once, for %d minutes: type it at /enrol on the screen, or give it to 'witnessmark access enrol'\n", got.Minutes)
			return err
		},
	}
	cmd.Flags().String("bench", "", "bench at which the screen stands")
	cmd.Flags().Bool("monitor", false, "a program that reads metrics, and nothing else")
	addServerFlags(cmd)
	return cmd
}

func newAccessEnrol() *cobra.Command {
	cmd := &cobra.Command{
		Use: "enrol CODE", Short: "Enrol a program as a device with a code, and print its token",
		Long: `Prints the token of the device, once: the service keeps its hash alone. A program
sends it as 'Authorization: Bearer TOKEN'. A screen is enrolled in its browser,
on the page /enrol.`,
		Example: "  witnessmark access enrol ABCD-EFGH --server https://fenholt-shop:8470 > prometheus.token",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			var got struct{ Token, Device string }
			if err := postAccess(c, "/enrol", url.Values{"code": {args[0]}}, &got); err != nil {
				return err
			}
			_, err := fmt.Fprintln(c.OutOrStdout(), got.Token)
			return err
		},
	}
	addServerFlags(cmd)
	return cmd
}

func newAccessRemove() *cobra.Command {
	cmd := &cobra.Command{
		Use: "remove DEVICE", Short: "Remove an enrolled device: its token is good no longer",
		Example: "  witnessmark access remove axle-screen",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := postAccess(c, "/access/remove", url.Values{"device": {args[0]}}, &struct{}{}); err != nil {
				return err
			}
			_, err := fmt.Fprintf(c.OutOrStdout(), "device %s is removed\n", args[0])
			return err
		},
	}
	addServerFlags(cmd)
	return cmd
}

func newAccessList() *cobra.Command {
	cmd := &cobra.Command{
		Use: "list", Short: "List people with their roles, who can sign in, and the enrolled devices",
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			var got struct {
				Configured bool
				People     []struct {
					ID, Name, Role string
					Secret         bool `json:"can_sign_in"`
					Sessions       int
					Gone           bool `json:"not_in_shop_file"`
				}
				Devices []struct {
					ID, Kind, Bench, By string
					SeenUs              events.Instant `json:"seen_us"`
				}
			}
			if err := askAccess(c, http.MethodGet, "/access", nil, &got); err != nil {
				return err
			}
			if !got.Configured {
				fmt.Fprintln(c.ErrOrStderr(), "there is no owner yet: nobody signs in, and everybody at this machine may do everything")
			}
			w := tabwriter.NewWriter(c.OutOrStdout(), 0, 4, 2, ' ', 0)
			fmt.Fprintln(w, "id\tname\trole\tcan sign in\tsessions")
			for _, p := range got.People {
				if p.Gone {
					p.Name = "(not in the shop file)"
				}
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%d\n", p.ID, p.Name, p.Role, map[bool]string{true: "yes", false: "no"}[p.Secret], p.Sessions)
			}
			if len(got.Devices) > 0 {
				fmt.Fprintln(w, "\ndevice\tkind\tbench\tenrolled by\tlast seen")
			}
			for _, d := range got.Devices {
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", d.ID, d.Kind, d.Bench, d.By, d.SeenUs.Time().Format(time.DateTime))
			}
			return w.Flush()
		},
	}
	addServerFlags(cmd)
	return cmd
}

func newAccessRefusals() *cobra.Command {
	cmd := &cobra.Command{
		Use: "refusals", Short: "List what was refused to whom, newest first (owner, auditor)",
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			var got struct{ Refusals []events.AccessRefused }
			if err := askAccess(c, http.MethodGet, "/access/refusals", nil, &got); err != nil {
				return err
			}
			if asJSON, _ := c.Flags().GetBool("json"); asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(got.Refusals)
			}
			w := tabwriter.NewWriter(c.OutOrStdout(), 0, 4, 2, ' ', 0)
			fmt.Fprintln(w, "last\ttimes\twhy\twhat\tperson\tdevice\tfrom")
			for _, x := range got.Refusals {
				fmt.Fprintf(w, "%s\t%d\t%s\t%s\t%s\t%s\t%s\n", x.AtUs.Time().Format(time.DateTime), x.Times, x.Why, orDash(x.What), orDash(x.Person), orDash(x.Device), orDash(x.From))
			}
			return w.Flush()
		},
	}
	cmd.Flags().Bool("json", false, "print JSON")
	addServerFlags(cmd)
	return cmd
}

func newAccessReset() *cobra.Command {
	cmd := &cobra.Command{
		Use: "reset OWNER", Short: "With the service stopped: take an owner's forgotten secret away, so that the next start prints an owner code",
		Long: `For when no owner can sign in any more. Stop the service first. Whoever can write
to the data directory can do this: guard the machine. People still sign in.`,
		Example: "  witnessmark access reset ruth",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			shop, err := readShop(cfg.Shop)
			if err != nil {
				return err
			}
			k, err := access.Open(access.Config{Dir: cfg.accessDir(), People: func() []events.Person { return shop.People }, Log: cfg.logger()})
			if err != nil {
				return err
			}
			defer k.Close()
			if err := k.Forget(c.Context(), &access.Visit{}, args[0]); err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "the secret of %s is gone; the next 'witnessmark serve' prints an owner code if no other owner can sign in\n", args[0])
			return err
		},
	}
	addConfigFlags(cmd, "data", "shop")
	return cmd
}

func newSignIn() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "sign-in PERSON",
		Short: "Sign in at the running service; commands then ask in this name",
		Long: `Asks for the passphrase or secret badge code, or reads it from standard input, one
line. The session is kept for this user of this machine until 'witnessmark
sign-out', an hour without a command, or twelve hours. Scripts may give a
token in ` + tokenEnv + ` instead.`,
		Example: "  witnessmark sign-in maren",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			secret, err := askSecret(c, bufio.NewReader(c.InOrStdin()), "Passphrase or secret badge code")
			if err != nil {
				return err
			}
			var got struct{ Token, Person, Name, Role string }
			if err := postAccess(c, "/sign-in", url.Values{"person": {args[0]}, "secret": {secret}}, &got); err != nil {
				return err
			}
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			if err := keepSession(serverOf(c, cfg), signedIn{got.Token, got.Person}); err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s is signed in, as %s\n", got.Name, got.Role)
			return err
		},
	}
	addServerFlags(cmd)
	return cmd
}

func newSignOut() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "sign-out",
		Short: "End the session that 'sign-in' began",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			err = postAccess(c, "/sign-out", nil, &struct{}{})
			if err := errors.Join(err, keepSession(serverOf(c, cfg), signedIn{})); err != nil {
				return err
			}
			_, err = fmt.Fprintln(c.OutOrStdout(), "signed out")
			return err
		},
	}
	addServerFlags(cmd)
	return cmd
}
