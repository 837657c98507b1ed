package main

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"regexp"
	"strings"
	"sync"

	"witnessmark/events/journal"
	"witnessmark/events/trust"
)

// linkKeys are the settings that say where the journal's server is and how it
// is spoken to.
var linkKeys = []string{"nats_url", "nats_trust", "nats_secret", "nats_plain"}

// link says how the stores of nats_url are spoken to.
func (c config) link() (journal.Link, error) { return c.linkTo(c.NATSURL) }

// linkTo says how stores are spoken to: those of nats_url, or the hub of the
// setting chain; "" is none.
func (c config) linkTo(urls string) (l journal.Link, err error) {
	if urls == "" {
		return l, nil
	}
	l.Plain = c.NATSPlain == "yes"
	if c.NATSTrust != "" {
		pool, _, err := trust.Pool(c.NATSTrust)
		if err != nil {
			return l, fmt.Errorf("setting nats_trust: %w", err)
		}
		l.TLS = &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
		if pool != nil {
			l.Roots = freshRoots(c.NATSTrust, pool)
		}
	}
	if c.NATSSecret != "" {
		if l.Secret, err = readSecret(c.NATSSecret); err != nil {
			return l, fmt.Errorf("setting nats_secret: %w", err)
		}
	}
	return l, l.Check(urls)
}

// freshRoots reads a trust file for each connection, so that a store may have a new
// certificate without a restart here. A file that cannot be read, because it is being
// written for one, leaves what was last read.
func freshRoots(file string, last *x509.CertPool) func() (*x509.CertPool, error) {
	var mu sync.Mutex
	return func() (*x509.CertPool, error) {
		mu.Lock()
		defer mu.Unlock()
		if pool, _, err := trust.Pool(file); err == nil {
			last = pool
		}
		return last, nil
	}
}

// readSecret reads the secret of stores from a file.
func readSecret(file string) (string, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("read the secret: %w", err)
	}
	secret := strings.TrimSpace(string(b))
	if len(secret) < 16 || !regexp.MustCompile(`^[A-Za-z0-9_-]+$`).MatchString(secret) {
		return "", usageError("%s: want one line of 16 or more letters, digits, '-' and '_'; 'openssl rand -hex 24' makes one", file)
	}
	if info, err := os.Stat(file); err == nil && info.Mode().Perm()&0o077 != 0 {
		return "", fmt.Errorf("%s can be read by others (mode %04o): chmod 600 %s; and make a new secret if somebody may have read it", file, info.Mode().Perm(), file)
	}
	return secret, nil
}
