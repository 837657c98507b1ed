package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/dashboards/api"
	"witnessmark/events"
)

// addAskFlags gives cmd what every request needs: who asks, and of whom.
func addAskFlags(cmd *cobra.Command) {
	cmd.Flags().String("server", "", "address of the running service; default: that of the setting listen")
	cmd.Flags().String("by", os.Getenv(envPrefix+"BY"), "who asks: a person's id in the shop file; default: who has signed in ["+envPrefix+"BY]")
}

// ask posts a request made by make to the running service and prints done or
// the refusal.
func ask(cmd *cobra.Command, build func(events.Ask) events.Asker, done string) error {
	by, err := asker(cmd)
	if err != nil {
		return err
	}
	return askOf(cmd, build(events.Ask{By: by}), done)
}

// asker is who asks: as --by says, else who has signed in.
func asker(cmd *cobra.Command) (string, error) {
	if by, _ := cmd.Flags().GetString("by"); by != "" {
		return by, nil
	}
	cfg, err := loadConfig(cmd)
	if err != nil {
		return "", err
	}
	s, err := signedInAt(serverOf(cmd, cfg))
	if err != nil {
		return "", err
	}
	if s.Person == "" {
		return "", usageError("say who asks with --by, a person's id in the shop file; or sign in with 'witnessmark sign-in'")
	}
	return s.Person, nil
}

// askOf posts a request to the running service and prints done or the refusal.
func askOf(cmd *cobra.Command, request events.Asker, done string) error {
	cfg, err := loadConfig(cmd)
	if err != nil {
		return err
	}
	server := serverOf(cmd, cfg)
	client, err := clientOf(cfg, server)
	if err != nil {
		return err
	}
	a, err := api.Client{Server: server, HTTP: client}.Ask(cmd.Context(), request)
	if err != nil {
		return err
	}
	if a.Refused != nil {
		return refusal(*a.Refused)
	}
	_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s (journal sequence %d)\n", done, a.Seq)
	return err
}

func refusal(r events.RequestRefused) error {
	var b strings.Builder
	fmt.Fprintf(&b, "refused (%s): %s", r.Code, r.Text)
	for _, item := range r.Items {
		fmt.Fprintf(&b, "\n  - %s", item)
	}
	if r.Todo != "" {
		fmt.Fprintf(&b, "\n  to do: %s", r.Todo)
	}
	return fmt.Errorf("%s", b.String())
}
