// Package outward carries alerts out of the house as far as somebody has
// configured it: to a webhook, a mailbox, a lamp or horn on a serial relay.
// Each alert goes each way once: what was sent is in the journal, so a restart
// does not send it again, and what failed is tried again.
package outward

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/mail"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"witnessmark/events"
)

// Route is one way out.
type Route struct {
	Name    string             `yaml:"name"`  // lower-case letters, digits, '-'; unique
	Kinds   []events.AlertKind `yaml:"kinds"` // which alerts; none: all that block a release
	All     bool               `yaml:"all"`   // every alert, whatever its kind
	Benches []string           `yaml:"benches"`
	Webhook *Webhook           `yaml:"webhook"`
	Mail    *Mail              `yaml:"mail"`
	Relay   *Relay             `yaml:"relay"`
}

// Webhook posts a CloudEvent as JSON, signed as the Standard Webhooks
// specification asks for.
type Webhook struct {
	URL        string `yaml:"url"`
	SecretFile string `yaml:"secret_file"` // 24 to 64 bytes, base64, perhaps after "whsec_"
	// Private allows plain http and addresses of the shop's own network. Without
	// it only public addresses are called, over TLS, whatever a name resolves to.
	Private bool `yaml:"private"`

	secret []byte
}

// Mail sends a message over SMTP.
type Mail struct {
	Server       string   `yaml:"server"` // host:port
	From         string   `yaml:"from"`
	To           []string `yaml:"to"`
	User         string   `yaml:"user"`
	PasswordFile string   `yaml:"password_file"`
	TLS          string   `yaml:"tls"` // "starttls" (default), "tls", "none"

	password string
}

// Relay switches a lamp or horn: bytes that switch it on, and off again. See
// Lamps for one at a bench box.
type Relay struct {
	Port string        `yaml:"port"`
	Baud int           `yaml:"baud"` // default 9600
	On   string        `yaml:"on"`   // hexadecimal
	Off  string        `yaml:"off"`
	For  time.Duration `yaml:"for"` // default 5 s; at a bench box as long as the alert is open

	on, off []byte
	bounded bool // For was given
}

// way names how a route goes.
func (r *Route) way() string {
	switch {
	case r.Webhook != nil:
		return "webhook"
	case r.Mail != nil:
		return "mail"
	}
	return "relay"
}

// takes reports whether an alert goes this way.
func (r *Route) takes(a *events.AlertRaised) bool {
	if len(r.Benches) > 0 && !slices.Contains(r.Benches, a.Bench) {
		return false
	}
	if r.All {
		return true
	}
	if len(r.Kinds) == 0 {
		return a.Blocks
	}
	return slices.Contains(r.Kinds, a.Kind)
}

// Load reads the file of routes and the files of secrets that it names, which
// lie beside it unless their names are absolute. It reports everything that is
// wrong at once.
func Load(name string) ([]Route, error) {
	b, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("read alert routes: %w", err)
	}
	var f struct {
		Routes []Route `yaml:"routes"`
	}
	dec := yaml.NewDecoder(bytes.NewReader(b))
	dec.KnownFields(true)
	if err := dec.Decode(&f); err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("read alert routes %s: %w", name, err)
	}
	var errs []error
	seen := map[string]bool{}
	for i := range f.Routes {
		r := &f.Routes[i]
		bad := func(format string, args ...any) {
			errs = append(errs, fmt.Errorf("%s: route %q: %s", name, r.Name, fmt.Sprintf(format, args...)))
		}
		if r.Name == "" || strings.Trim(r.Name, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" {
			bad("want a name of lower-case letters, digits and '-'")
		}
		if seen[r.Name] {
			bad("the name is there twice")
		}
		seen[r.Name] = true
		r.check(filepath.Dir(name), bad)
	}
	return f.Routes, errors.Join(errs...)
}

func (r *Route) check(dir string, bad func(string, ...any)) {
	n := 0
	if w := r.Webhook; w != nil {
		n++
		w.check(dir, bad)
	}
	if m := r.Mail; m != nil {
		n++
		m.check(dir, bad)
	}
	if l := r.Relay; l != nil {
		n++
		l.check(bad)
	}
	if n != 1 {
		bad("want exactly one of webhook, mail, relay")
	}
}

func (w *Webhook) check(dir string, bad func(string, ...any)) {
	u, err := url.Parse(w.URL)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http":
		bad("url %q: want https://host/path", w.URL)
	case u.User != nil:
		bad("the url holds a user or password: put a secret into secret_file")
	case u.Scheme == "http" && !w.Private:
		bad("url %q: want https, or say private: true for a machine in the shop's own network", w.URL)
	}
	text, err := secretFrom(dir, w.SecretFile)
	if err != nil {
		bad("%v", err)
		return
	}
	if w.secret, err = decodeSecret(text); err != nil {
		bad("secret_file: %v", err)
	}
}

func (m *Mail) check(dir string, bad func(string, ...any)) {
	if _, _, err := hostPort(m.Server); err != nil {
		bad("server %q: want host:port", m.Server)
	}
	if len(m.To) == 0 {
		bad("to: nobody is named")
	}
	for _, a := range append([]string{m.From}, m.To...) {
		if _, err := mail.ParseAddress(a); err != nil {
			bad("%q is no mail address", a)
		}
	}
	switch m.TLS {
	case "":
		m.TLS = "starttls"
	case "starttls", "tls", "none":
	default:
		bad("tls %q: want starttls, tls or none", m.TLS)
	}
	if m.User == "" {
		return
	}
	if m.TLS == "none" {
		bad("a password would go over the line in clear: use tls or starttls")
	}
	var err error
	if m.password, err = secretFrom(dir, m.PasswordFile); err != nil {
		bad("%v", err)
	}
}

func (l *Relay) check(bad func(string, ...any)) {
	var err error
	if l.Port == "" {
		bad("port: want the relay's serial port")
	}
	if l.Baud == 0 {
		l.Baud = 9600
	}
	if l.bounded = l.For != 0; !l.bounded {
		l.For = 5 * time.Second
	}
	if l.For < 0 || l.For > time.Minute {
		bad("for %s: want at most a minute", l.For)
	}
	if l.on, err = hex.DecodeString(strings.ReplaceAll(l.On, " ", "")); err != nil || len(l.on) == 0 {
		bad("on %q: want bytes in hexadecimal", l.On)
	}
	if l.off, err = hex.DecodeString(strings.ReplaceAll(l.Off, " ", "")); err != nil || len(l.off) == 0 {
		bad("off %q: want bytes in hexadecimal: a horn that cannot be switched off is no help", l.Off)
	}
}

// secretFrom reads a secret. What it reads never shows in an error.
func secretFrom(dir, name string) (string, error) {
	if name == "" {
		return "", errors.New("no file with the secret is named")
	}
	if !filepath.IsAbs(name) {
		name = filepath.Join(dir, name)
	}
	b, err := os.ReadFile(name)
	if err != nil {
		return "", fmt.Errorf("read secret: %w", err)
	}
	if info, err := os.Stat(name); err == nil && info.Mode().Perm()&0o077 != 0 {
		return "", fmt.Errorf("read secret: %s can be read by others: chmod 600 it", name)
	}
	if s := strings.TrimSpace(string(b)); s != "" {
		return s, nil
	}
	return "", fmt.Errorf("read secret: %s is empty", name)
}
