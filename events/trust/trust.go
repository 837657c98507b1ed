// Package trust makes, reads and checks the certificates that the shop's
// processes show one another and browsers, and puts what is wrong with one in
// words that say what to do.
//
// A certificate made here vouches for itself. Whoever is to trust it gets a
// copy of it (never of its key) in a file of certificates, its trust file; one
// file may hold several, and authorities as well.
package trust

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"os"
	"strings"
	"time"
)

// System, in place of a trust file, names the authorities of this machine.
const System = "system"

// Make makes a P-256 key and a certificate after t that vouches for itself.
// The serial number of t is drawn here.
func Make(t *x509.Certificate) (certPEM, keyPEM []byte, err error) {
	if t.SerialNumber, err = rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 126)); err != nil {
		return nil, nil, fmt.Errorf("make certificate: %w", err)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, fmt.Errorf("make key: %w", err)
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, key.Public(), key)
	if err != nil {
		return nil, nil, fmt.Errorf("make certificate: %w", err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, nil, fmt.Errorf("write key: %w", err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), nil
}

// Pair reads a certificate and its key, both PEM. It refuses a key that others
// can read, and a certificate that does not hold at now.
func Pair(certFile, keyFile string, now time.Time) (tls.Certificate, error) {
	if info, err := os.Stat(keyFile); err == nil && info.Mode().Perm()&0o077 != 0 {
		return tls.Certificate{}, fmt.Errorf("key %s can be read by others (mode %04o): chmod 600 %s; and make a new one if somebody may have read it", keyFile, info.Mode().Perm(), keyFile)
	}
	cert, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		return cert, fmt.Errorf("read certificate %s and key %s: %w; 'witnessmark tls make' makes a pair", certFile, keyFile, err)
	}
	switch {
	case now.After(cert.Leaf.NotAfter):
		return cert, fmt.Errorf("certificate %s is out of date since %s; 'witnessmark tls make' makes a new one", certFile, cert.Leaf.NotAfter.Format(time.DateOnly))
	case now.Before(cert.Leaf.NotBefore):
		return cert, fmt.Errorf("certificate %s holds only from %s on; set this machine's clock right, or make a new one with 'witnessmark tls make'", certFile, cert.Leaf.NotBefore.Format(time.DateTime))
	}
	return cert, nil
}

// Read reads the certificate that a file begins with, PEM.
func Read(name string) (*x509.Certificate, error) {
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

// readAll reads a file of certificates, and takes nothing else in it.
func readAll(name string) (all []*x509.Certificate, err error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	for block, rest := pem.Decode(text); block != nil; block, rest = pem.Decode(rest) {
		if block.Type != "CERTIFICATE" {
			return nil, fmt.Errorf("%s holds a %s: copy certificates there, and no keys", name, strings.ToLower(block.Type))
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, fmt.Errorf("%s: certificate %d: %w", name, len(all)+1, err)
		}
		all = append(all, c)
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%s holds no certificate in PEM form", name)
	}
	return all, nil
}

// Pool reads a trust file. For System the pool is nil, which means to Go's TLS
// the authorities of this machine.
func Pool(file string) (*x509.CertPool, []*x509.Certificate, error) {
	if file == System {
		return nil, nil, nil
	}
	all, err := readAll(file)
	if err != nil {
		return nil, nil, fmt.Errorf("read whom to trust: %w", err)
	}
	pool := x509.NewCertPool()
	for _, c := range all {
		pool.AddCert(c)
	}
	return pool, all, nil
}

// SelfSigned reports whether a certificate vouches for itself alone.
func SelfSigned(c *x509.Certificate) bool {
	return c.Subject.String() == c.Issuer.String() && c.CheckSignature(c.SignatureAlgorithm, c.RawTBSCertificate, c.Signature) == nil
}

// Fingerprint is the SHA-256 of a certificate as browsers show it.
func Fingerprint(c *x509.Certificate) string {
	sum := sha256.Sum256(c.Raw)
	text := strings.ToUpper(hex.EncodeToString(sum[:]))
	var pairs []string
	for i := 0; i < len(text); i += 2 {
		pairs = append(pairs, text[i:i+2])
	}
	return strings.Join(pairs, ":")
}

// Names are the host names and addresses that a certificate is for.
func Names(c *x509.Certificate) []string {
	names := append([]string(nil), c.DNSNames...)
	for _, ip := range c.IPAddresses {
		names = append(names, ip.String())
	}
	return names
}

// OnLoopback reports whether a host is this machine and reached from nowhere
// else.
func OnLoopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// advice is what to do about a fault of a TLS handshake, by words of Go's own
// message: a server's log has nothing else of it.
var advice = []struct{ words, todo string }{
	{"certificate signed by unknown authority",
		"whoever answers there shows a certificate that the trust file here does not hold: compare its fingerprint with what 'witnessmark tls show' says over there, and add a copy of it; if it is not that one, somebody else answers"},
	{"certificate has expired or is not yet valid",
		"make a new one over there ('witnessmark tls make --replace') and hand out copies of it; or one of the two clocks is wrong"},
	{"certificate is valid for", "the certificate is for other names: make one with this address as --name, or use an address that it is for"},
	{"cannot validate certificate for", "the certificate is not for this address: make one with it as --name ('witnessmark tls make')"},
	{"not valid for any names", "the certificate is for no name at all: make one with this address as --name ('witnessmark tls make')"},
	{"incompatible key usage", "the certificate may not be used for this end of a link: 'witnessmark tls make --store' makes one that may"},
	{"secure connection not available", "it speaks without TLS, so what is said could be read on the way: give that store a certificate ('witnessmark store --help'), or say that a tunnel encrypts"},
	{"does not look like a TLS handshake", "the other side speaks without TLS: give it a certificate or a trust file"},
	{"remote error: tls: certificate required", "the other side wants to see a certificate: start this one with --tls-cert and --tls-key"},
	{"remote error: tls: expired certificate", "the other side finds the certificate of this one out of date: make a new one here and hand out copies, or set the clocks right"},
	{"remote error: tls: bad certificate", "the other side does not trust the certificate of this one: add a copy of it to the trust file over there"},
	{"remote error: tls: unknown certificate authority", "the other side does not trust the certificate of this one: add a copy of it to the trust file over there"},
}

// Advice says what to do about a fault of a TLS handshake, by its text; "" if
// nothing is known of it.
func Advice(text string) string {
	for _, a := range advice {
		if strings.Contains(text, a.words) {
			return a.todo
		}
	}
	return ""
}

// Plainly adds to an error of a TLS handshake what certificate was shown and
// what to do; other errors it leaves as they are.
func Plainly(err error) error {
	if err == nil {
		return nil
	}
	todo := Advice(err.Error())
	if todo == "" {
		return err
	}
	var bad *tls.CertificateVerificationError
	if errors.As(err, &bad) && len(bad.UnverifiedCertificates) > 0 {
		c := bad.UnverifiedCertificates[0]
		return fmt.Errorf("%w (shown: certificate for %s, good until %s, SHA-256 %s); %s", err, strings.Join(Names(c), ", "), c.NotAfter.Format(time.DateOnly), Fingerprint(c), todo)
	}
	return fmt.Errorf("%w; %s", err, todo)
}
