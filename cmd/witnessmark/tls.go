package main

import (
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/events/trust"
)

// tlsConfig reads the certificate of the pages.
func tlsConfig(certFile, keyFile string) (*tls.Config, error) {
	cert, err := trust.Pair(certFile, keyFile, time.Now())
	if err != nil {
		return nil, err
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{cert}, NextProtos: []string{"h2", "http/1.1"}}, nil
}

func newTLS() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "tls",
		Short: "Make a certificate for the pages or for a store, or show the one in use",
		Long: `The pages are open to other machines only over TLS. Use a certificate of your own
(settings tls_cert and tls_key), or have one made here. A certificate made here
vouches for itself: each browser asks once whether to trust it. Compare the
fingerprint that it shows with the one printed here, then let it in; or add the
certificate to the shop's machines as a trusted one.

A store is the same ('tls make --store'). Whoever is to trust it gets a copy of
its certificate in a file: services name that file with nats_trust, other stores
with --trust. The file may hold several certificates, one after another, and
those of authorities of your own.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newTLSMake(), newTLSShow())
	return cmd
}

func newTLSMake() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "make",
		Short: "Make a certificate and its key, and print the fingerprint",
		Long: `Makes an ECDSA key (P-256) and a certificate that vouches for itself, for this
machine's name, localhost and each --name: host names and addresses under which
browsers ask for the pages. Writes data/tls/cert.pem and data/tls/key.pem (mode
0600). What is there already is left alone unless --replace is given.

With --store it is for a store ('witnessmark store'), of which --data names the
directory: good for ten years, as no browser looks at it, and at both ends of a
link. When it is replaced, everybody who trusts the old one needs a copy.`,
		Example: `  witnessmark tls make --name fenholt-shop --name 192.168.20.4
  witnessmark tls make --store --data /var/lib/witnessmark-store --name 10.0.0.1`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			names, _ := c.Flags().GetStringArray("name")
			days, _ := c.Flags().GetInt("days")
			replace, _ := c.Flags().GetBool("replace")
			store, _ := c.Flags().GetBool("store")
			if store && !c.Flags().Changed("days") {
				days = storeDays
			}
			if store && !c.Flags().Changed("data") {
				cfg.Data = defaultStoreData
			}
			cert, certFile, keyFile, err := makeCertificate(filepath.Join(cfg.Data, "tls"), names, days, store, replace, time.Now())
			if err != nil {
				return err
			}
			if store {
				_, err = fmt.Fprintf(c.OutOrStdout(), storeCertMade, certFile, strings.Join(trust.Names(cert), ", "), cert.NotAfter.Format(time.DateOnly), trust.Fingerprint(cert), keyFile)
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "certificate %s for %s, good until %s\nSHA-256 fingerprint: %s\n\nIn witnessmark.yaml:\ntls_cert: %q\ntls_key: %q\n",
				certFile, strings.Join(trust.Names(cert), ", "), cert.NotAfter.Format("2006-01-02"), trust.Fingerprint(cert), certFile, keyFile)
			return err
		},
	}
	cmd.Flags().StringArray("name", nil, "a host name or address under which the pages are asked for; may be given several times")
	cmd.Flags().Int("days", 825, "how long it is good; browsers take no longer than 825 days; of a store: 3650 unless you say otherwise")
	cmd.Flags().Bool("store", false, "make one for a store, whose directory --data names (default witnessmark-store)")
	cmd.Flags().Bool("replace", false, "replace what is there")
	addConfigFlags(cmd, "data")
	return cmd
}

// storeDays is how long a certificate of a store is good: when it ends nobody
// reaches the journal any more.
const storeDays = 3650

const storeCertMade = `certificate %[1]s for %[2]s, good until %[3]s
SHA-256 fingerprint: %[4]s

Start the store with: --tls-cert %[1]s --tls-key %[5]s
Copy %[1]s, and never the key, to whoever is to trust this store:
  services:      one file with the certificates of all stores, setting nats_trust
  other stores:  the same file, flag --trust (nodes of a cluster, a hub and the stores that dial in to it)
`

func newTLSShow() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "show",
		Short: "Show the certificate in use, or one in a file: names, date, fingerprint",
		Example: `  witnessmark tls show
  witnessmark tls show witnessmark-store/tls/cert.pem`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			if len(args) == 1 {
				cfg.TLSCert = args[0]
			}
			if cfg.TLSCert == "" {
				return errors.New("no certificate is in use: the setting tls_cert is empty; 'witnessmark tls make' makes one")
			}
			cert, err := trust.Read(cfg.TLSCert)
			if err != nil {
				return err
			}
			kind := "issued by " + cert.Issuer.String()
			if trust.SelfSigned(cert) {
				kind = "vouches for itself"
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "certificate %s for %s, %s, good until %s\nSHA-256 fingerprint: %s\n",
				cfg.TLSCert, strings.Join(trust.Names(cert), ", "), kind, cert.NotAfter.Format("2006-01-02"), trust.Fingerprint(cert))
			return err
		},
	}
	addConfigFlags(cmd, "data", "tls_cert", "tls_key")
	return cmd
}

// makeCertificate makes a certificate that vouches for itself, and its key.
func makeCertificate(dir string, names []string, days int, store, replace bool, now time.Time) (cert *x509.Certificate, certFile, keyFile string, err error) {
	certFile, keyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	if most := map[bool]int{true: 36500, false: 825}[store]; days < 1 || days > most {
		return nil, "", "", usageError("--days %d: want 1 to %d", days, most)
	}
	if _, err := os.Stat(keyFile); err == nil && !replace {
		return nil, "", "", fmt.Errorf("%s is there already: 'witnessmark tls show' shows it, --replace makes a new one, which everybody must be told to trust anew", keyFile)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, "", "", fmt.Errorf("make directory for the certificate: %w", err)
	}
	ends := []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	if store {
		ends = append(ends, x509.ExtKeyUsageClientAuth) // it dials others too
	}
	host, _ := os.Hostname() // localhost is there in any case
	tmpl := &x509.Certificate{
		Subject: pkix.Name{CommonName: "Witnessmark on " + host}, NotBefore: now.Add(-time.Hour), NotAfter: now.AddDate(0, 0, days),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: ends, BasicConstraintsValid: true,
		DNSNames: []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback},
	}
	if host != "" && host != "localhost" {
		names = append(names, host)
	}
	for _, n := range names {
		switch ip := net.ParseIP(n); {
		case ip != nil:
			tmpl.IPAddresses = append(tmpl.IPAddresses, ip)
		case n == "" || strings.ContainsAny(n, " /:@") || len(n) > 253:
			return nil, "", "", usageError("--name %q is neither a host name nor an address", n)
		default:
			tmpl.DNSNames = append(tmpl.DNSNames, n)
		}
	}
	certPEM, keyPEM, err := trust.Make(tmpl)
	if err != nil {
		return nil, "", "", err
	}
	if err := writeWhole(keyFile, keyPEM, 0o600); err != nil {
		return nil, "", "", err
	}
	if err := writeWhole(certFile, certPEM, 0o644); err != nil {
		return nil, "", "", err
	}
	cert, err = trust.Read(certFile)
	return cert, certFile, keyFile, err
}

// writeWhole writes a file in one step: it is there whole, or as it was.
func writeWhole(name string, data []byte, mode os.FileMode) error {
	f, err := os.CreateTemp(filepath.Dir(name), ".new-*") // mode 0600
	if err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), name)
	}
	if err != nil {
		_ = os.Remove(f.Name()) // gone already, if it was renamed
		return fmt.Errorf("write %s: %w", name, err)
	}
	return nil
}
