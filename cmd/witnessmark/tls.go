package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

// tlsConfig reads the certificate of the pages.
func tlsConfig(certFile, keyFile string) (*tls.Config, error) {
	if info, err := os.Stat(keyFile); err == nil && info.Mode().Perm()&0o077 != 0 {
		return nil, fmt.Errorf("key %s can be read by others (mode %04o): chmod 600 %s; and make a new one if somebody may have read it", keyFile, info.Mode().Perm(), keyFile)
	}
	cert, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		return nil, fmt.Errorf("read certificate %s and key %s: %w; 'witnessmark tls make' makes a pair", certFile, keyFile, err)
	}
	if now := time.Now(); now.After(cert.Leaf.NotAfter) {
		return nil, fmt.Errorf("certificate %s is out of date since %s; 'witnessmark tls make' makes a new one", certFile, cert.Leaf.NotAfter.Format("2006-01-02"))
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{cert}, NextProtos: []string{"h2", "http/1.1"}}, nil
}

func readCertificate(name string) (*x509.Certificate, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("read certificate: %w", err)
	}
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "CERTIFICATE" {
		return nil, fmt.Errorf("read certificate %s: it holds no certificate in PEM form", name)
	}
	c, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("read certificate %s: %w", name, err)
	}
	return c, nil
}

// selfSigned reports whether a certificate vouches for itself alone.
func selfSigned(c *x509.Certificate) bool {
	return c.Subject.String() == c.Issuer.String() && c.CheckSignature(c.SignatureAlgorithm, c.RawTBSCertificate, c.Signature) == nil
}

// fingerprintOf is the SHA-256 of a certificate as browsers show it.
func fingerprintOf(c *x509.Certificate) string {
	sum := sha256.Sum256(c.Raw)
	text := strings.ToUpper(hex.EncodeToString(sum[:]))
	var pairs []string
	for i := 0; i < len(text); i += 2 {
		pairs = append(pairs, text[i:i+2])
	}
	return strings.Join(pairs, ":")
}

func newTLS() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "tls",
		Short: "Make a certificate for the pages, or show the one in use",
		Long: `The pages are open to other machines only over TLS. Use a certificate of your own
(settings tls_cert and tls_key), or have one made here. A certificate made here
vouches for itself: each browser asks once whether to trust it. Compare the
fingerprint that it shows with the one printed here, then let it in; or add the
certificate to the shop's machines as a trusted one.`,
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
0600). What is there already is left alone unless --replace is given.`,
		Example: "  witnessmark tls make --name fenholt-shop --name 192.168.20.4",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			names, _ := c.Flags().GetStringArray("name")
			days, _ := c.Flags().GetInt("days")
			replace, _ := c.Flags().GetBool("replace")
			cert, certFile, keyFile, err := makeCertificate(filepath.Join(cfg.Data, "tls"), names, days, replace, time.Now())
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "certificate %s for %s, good until %s\nSHA-256 fingerprint: %s\n\nIn witnessmark.yaml:\ntls_cert: %q\ntls_key: %q\n",
				certFile, strings.Join(namesOf(cert), ", "), cert.NotAfter.Format("2006-01-02"), fingerprintOf(cert), certFile, keyFile)
			return err
		},
	}
	cmd.Flags().StringArray("name", nil, "a host name or address under which the pages are asked for; may be given several times")
	cmd.Flags().Int("days", 825, "how long it is good; browsers take no longer than 825 days")
	cmd.Flags().Bool("replace", false, "replace what is there")
	addConfigFlags(cmd, "data")
	return cmd
}

func newTLSShow() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "show",
		Short: "Show the certificate in use: names, date, fingerprint",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			if cfg.TLSCert == "" {
				return errors.New("no certificate is in use: the setting tls_cert is empty; 'witnessmark tls make' makes one")
			}
			cert, err := readCertificate(cfg.TLSCert)
			if err != nil {
				return err
			}
			kind := "issued by " + cert.Issuer.String()
			if selfSigned(cert) {
				kind = "vouches for itself"
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "certificate %s for %s, %s, good until %s\nSHA-256 fingerprint: %s\n",
				cfg.TLSCert, strings.Join(namesOf(cert), ", "), kind, cert.NotAfter.Format("2006-01-02"), fingerprintOf(cert))
			return err
		},
	}
	addConfigFlags(cmd, "data", "tls_cert", "tls_key")
	return cmd
}

func namesOf(c *x509.Certificate) []string {
	names := append([]string(nil), c.DNSNames...)
	for _, ip := range c.IPAddresses {
		names = append(names, ip.String())
	}
	return names
}

// makeCertificate makes a certificate that vouches for itself, and its key.
func makeCertificate(dir string, names []string, days int, replace bool, now time.Time) (cert *x509.Certificate, certFile, keyFile string, err error) {
	certFile, keyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	if days < 1 || days > 825 {
		return nil, "", "", usageError("--days %d: want 1 to 825", days)
	}
	if _, err := os.Stat(keyFile); err == nil && !replace {
		return nil, "", "", fmt.Errorf("%s is there already: 'witnessmark tls show' shows it, --replace makes a new one, which every browser must be told to trust anew", keyFile)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, "", "", fmt.Errorf("make directory for the certificate: %w", err)
	}
	host, _ := os.Hostname() // localhost is there in any case
	tmpl := &x509.Certificate{
		Subject: pkix.Name{CommonName: "Witnessmark on " + host}, NotBefore: now.Add(-time.Hour), NotAfter: now.AddDate(0, 0, days),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true,
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
	if tmpl.SerialNumber, err = rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 126)); err != nil {
		return nil, "", "", fmt.Errorf("make certificate: %w", err)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, "", "", fmt.Errorf("make key: %w", err)
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, key.Public(), key)
	if err != nil {
		return nil, "", "", fmt.Errorf("make certificate: %w", err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, "", "", fmt.Errorf("write key: %w", err)
	}
	if err := writeWhole(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}), 0o600); err != nil {
		return nil, "", "", err
	}
	if err := writeWhole(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o644); err != nil {
		return nil, "", "", err
	}
	cert, err = x509.ParseCertificate(der)
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
