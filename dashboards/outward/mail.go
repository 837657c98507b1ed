package outward

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/wneessen/go-mail"

	"witnessmark/events"
)

// send mails an alert. The message id is derived from the alert, so that a
// mailbox shows a second copy as the same message.
func (m *Mail) send(ctx context.Context, shop, name string, a *events.AlertRaised, now time.Time) error {
	msg := mail.NewMsg()
	if err := msg.From(m.From); err != nil {
		return fmt.Errorf("write mail: %w", err)
	}
	if err := msg.To(m.To...); err != nil {
		return fmt.Errorf("write mail: %w", err)
	}
	msg.Subject(subject(name, a))
	msg.SetDateWithValue(now)
	msg.SetMessageIDWithValue(a.Alert + "." + shop + "@witnessmark.invalid")
	msg.SetBodyString(mail.TypeTextPlain, text(name, a))
	host, port, err := hostPort(m.Server)
	if err != nil {
		return err
	}
	opts := []mail.Option{mail.WithPort(port), mail.WithTimeout(sendTime)}
	switch m.TLS {
	case "tls":
		opts = append(opts, mail.WithSSL())
	case "none":
		opts = append(opts, mail.WithTLSPolicy(mail.NoTLS))
	default:
		opts = append(opts, mail.WithTLSPolicy(mail.TLSMandatory))
	}
	if m.User != "" {
		opts = append(opts, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(m.User), mail.WithPassword(m.password))
	}
	c, err := mail.NewClient(host, opts...)
	if err != nil {
		return fmt.Errorf("send mail: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, 3*sendTime)
	defer cancel()
	if err := c.DialAndSendWithContext(ctx, msg); err != nil {
		return fmt.Errorf("send mail: %w", err)
	}
	return nil
}

// subject is one line: where, and what is wrong.
func subject(name string, a *events.AlertRaised) string {
	s := name
	if a.Job != "" {
		s += ", job " + a.Job
	}
	return oneLine(s+": "+a.Text, 150)
}

func oneLine(s string, most int) string {
	s = strings.Join(strings.Fields(s), " ")
	if r := []rune(s); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return s
}

func text(name string, a *events.AlertRaised) string {
	var b strings.Builder
	line := func(k, v string) {
		if v != "" {
			fmt.Fprintf(&b, "%-11s%s\n", k, oneLine(v, 500))
		}
	}
	fmt.Fprintf(&b, "%s\n\nWhat to do: %s\n\n", oneLine(a.Text, 2000), oneLine(a.Todo, 2000))
	line("Shop:", name)
	line("Bench:", a.Bench)
	line("Job:", a.Job)
	line("Step:", a.Step)
	line("Fasteners:", strings.Join(a.Fasteners, ", "))
	line("Tool:", a.Tool)
	line("Raised:", a.AtUs.Time().Format("2006-01-02 15:04:05 UTC"))
	line("Alert:", a.Alert)
	b.WriteString("\nThe unit maker's service information, local codes and licensed practice come first.\n")
	return b.String()
}
