package main

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/events/trust"
)

// tokenEnv names a token in the environment, such as of a script.
const tokenEnv = envPrefix + "TOKEN"

// serverOf is the address of the running service: that of the flag, or the
// setting listen.
func serverOf(c *cobra.Command, cfg config) string {
	if s, _ := c.Flags().GetString("server"); s != "" {
		return strings.TrimRight(s, "/")
	}
	return serverAt(cfg)
}

func serverAt(cfg config) string {
	if cfg.TLSCert != "" {
		return "https://" + cfg.Listen
	}
	return "http://" + cfg.Listen
}

// clientOf returns what asks the service: it trusts the certificate that the
// settings name, and says who asks if somebody has signed in at that service.
func clientOf(cfg config, server string) (*http.Client, error) {
	t := http.DefaultTransport.(*http.Transport).Clone()
	if strings.HasPrefix(server, "https://") && cfg.TLSCert != "" {
		pool, err := x509.SystemCertPool()
		if err != nil {
			pool = x509.NewCertPool()
		}
		cert, err := trust.Read(cfg.TLSCert)
		if err != nil {
			return nil, err
		}
		pool.AddCert(cert)
		t.TLSClientConfig = &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: pool}
	}
	token := os.Getenv(tokenEnv)
	if token == "" {
		s, err := signedInAt(server)
		if err != nil {
			return nil, err
		}
		token = s.Token
	}
	return &http.Client{
		Transport: bearer{t, server, token},
		// A redirect is an answer for browsers; nothing is sent on elsewhere.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}, nil
}

// bearer adds a token to what goes to one server, and to no other.
type bearer struct {
	next   http.RoundTripper
	server string
	token  string
}

// RoundTrip implements http.RoundTripper.
func (b bearer) RoundTrip(r *http.Request) (*http.Response, error) {
	if b.token != "" && (r.URL.Scheme+"://"+r.URL.Host == b.server) {
		r = r.Clone(r.Context())
		r.Header.Set("Authorization", "Bearer "+b.token)
	}
	return b.next.RoundTrip(r)
}

// signedIn is a session at a service, as the command line keeps it.
type signedIn struct {
	Token  string `json:"token"`
	Person string `json:"person"`
}

// sessionsFile is where the command line keeps its sessions, readable for this
// user alone.
func sessionsFile() (string, error) {
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("find the directory for settings of this user: %w; or give a token in %s", err, tokenEnv)
	}
	return filepath.Join(dir, "witnessmark", "sessions.json"), nil
}

func readSessions() (map[string]signedIn, error) {
	all := map[string]signedIn{}
	name, err := sessionsFile()
	if err != nil {
		return all, nil // a user without a home has signed in nowhere
	}
	b, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return all, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read sessions: %w", err)
	}
	if err := json.Unmarshal(b, &all); err != nil {
		return nil, fmt.Errorf("read sessions %s: %v; remove the file and sign in again", name, err)
	}
	return all, nil
}

func signedInAt(server string) (signedIn, error) {
	all, err := readSessions()
	return all[server], err
}

// keepSession remembers a session at a server; one without a token is
// forgotten.
func keepSession(server string, s signedIn) error {
	name, err := sessionsFile()
	if err != nil {
		return err
	}
	all, err := readSessions()
	if err != nil {
		return err
	}
	if s.Token == "" {
		delete(all, server)
	} else {
		all[server] = s
	}
	b, err := json.MarshalIndent(all, "", "  ")
	if err != nil {
		return fmt.Errorf("write sessions: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		return fmt.Errorf("write sessions: %w", err)
	}
	return writeWhole(name, b, 0o600)
}

// turnedAway is why the service did not let a request in; nil if it did.
func turnedAway(resp *http.Response) error {
	if resp.StatusCode != http.StatusUnauthorized && resp.StatusCode != http.StatusForbidden {
		return nil
	}
	var e struct{ Error, Todo string }
	if json.NewDecoder(io.LimitReader(resp.Body, 1<<20)).Decode(&e) != nil || e.Error == "" {
		return fmt.Errorf("service answered %s", resp.Status)
	}
	return fmt.Errorf("%s ('witnessmark sign-in PERSON' signs in)", strings.TrimSpace(e.Error+" "+e.Todo))
}
