package trust

import (
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// made makes a certificate for example.test that holds at the given days from now.
func made(t *testing.T, from, to int, ends ...x509.ExtKeyUsage) (pair tls.Certificate, certFile, keyFile string) {
	t.Helper()
	now := time.Now()
	c, k, err := Make(&x509.Certificate{Subject: pkix.Name{CommonName: "Witnessmark test"}, DNSNames: []string{"example.test"},
		NotBefore: now.AddDate(0, 0, from), NotAfter: now.AddDate(0, 0, to), KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: ends, BasicConstraintsValid: true})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	certFile, keyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	if err := os.WriteFile(certFile, c, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(keyFile, k, 0o600); err != nil {
		t.Fatal(err)
	}
	if pair, err = tls.X509KeyPair(c, k); err != nil {
		t.Fatal(err)
	}
	return pair, certFile, keyFile
}

var bothEnds = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}

// shake makes a handshake and returns what each side has to say of it. In TLS 1.3
// a client hears only with the next byte that it was refused.
func shake(t *testing.T, server, client *tls.Config) (atServer, atClient error) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	done := make(chan error, 1)
	go func() {
		c, err := l.Accept()
		if err != nil {
			done <- err
			return
		}
		s := tls.Server(c, server)
		if err = s.Handshake(); err == nil {
			_, err = s.Write([]byte{1})
		}
		_ = c.(*net.TCPConn).CloseWrite() // the other side shall read what was said
		_, _ = c.Read(make([]byte, 4096)) // until it has
		c.Close()
		done <- err
	}()
	c, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	_, atClient = tls.Client(c, client).Read(make([]byte, 1))
	c.Close()
	return <-done, atClient
}

// TestPlainly: of each way in which a handshake fails it is said what to do, by
// the words that Go's TLS really uses.
func TestPlainly(t *testing.T) {
	good, goodFile, _ := made(t, -1, 9, bothEnds...)
	old, oldFile, _ := made(t, -9, -1, bothEnds...)
	young, youngFile, _ := made(t, 5, 9, bothEnds...)
	oneEnd, oneEndFile, _ := made(t, -1, 9, x509.ExtKeyUsageServerAuth)
	other, otherFile, _ := made(t, -1, 9, bothEnds...)
	pool := func(file string) *x509.CertPool {
		p, _, err := Pool(file)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	shows := func(c tls.Certificate) *tls.Config {
		return &tls.Config{Certificates: []tls.Certificate{c}, MinVersion: tls.VersionTLS12}
	}
	wants := func(c tls.Certificate, file string) *tls.Config {
		s := shows(c)
		s.ClientAuth, s.ClientCAs = tls.RequireAndVerifyClientCert, pool(file)
		return s
	}
	trusts := func(file string, own ...tls.Certificate) *tls.Config {
		return &tls.Config{RootCAs: pool(file), ServerName: "example.test", Certificates: own, MinVersion: tls.VersionTLS12}
	}
	named := trusts(goodFile)
	named.ServerName = "elsewhere.test"
	numbered := trusts(goodFile)
	numbered.ServerName = "192.0.2.1"
	for name, c := range map[string]struct {
		server, client *tls.Config
		atClient       string // "": it is content
		atServer       string
	}{
		"as it should be":                  {shows(good), trusts(goodFile), "", ""},
		"both ways, as it should be":       {wants(good, otherFile), trusts(goodFile, other), "", ""},
		"another certificate":              {shows(other), trusts(goodFile), "trust file here does not hold", "does not trust the certificate of this one"},
		"it has ended":                     {shows(old), trusts(oldFile), "tls make --replace", ""},
		"it has not begun":                 {shows(young), trusts(youngFile), "clocks is wrong", ""},
		"another name":                     {shows(good), named, "--name", ""},
		"an address that it is not for":    {shows(good), numbered, "--name", ""},
		"no certificate of its own":        {wants(good, otherFile), trusts(goodFile), "wants to see a certificate", ""},
		"one of its own that is unknown":   {wants(good, otherFile), trusts(goodFile, good), "", "trust file here does not hold"},
		"one of its own that has ended":    {wants(good, oldFile), trusts(goodFile, old), "", "tls make --replace"},
		"one of its own for the other end": {wants(good, oneEndFile), trusts(goodFile, oneEnd), "", "tls make --store"},
	} {
		atServer, atClient := shake(t, c.server, c.client)
		for side, got := range map[string]struct {
			err  error
			want string
		}{"client": {atClient, c.atClient}, "server": {atServer, c.atServer}} {
			if got.want == "" {
				if strings.Contains(name, "should be") && got.err != nil {
					t.Errorf("%s, %s: %v", name, side, got.err)
				}
				continue
			}
			if err := Plainly(got.err); err == nil || !strings.Contains(err.Error(), got.want) {
				t.Errorf("%s, %s: %v, want it to say %q", name, side, err, got.want)
			}
		}
	}
	_, err := shake(t, shows(other), trusts(goodFile))
	if err = Plainly(err); !strings.Contains(err.Error(), Fingerprint(other.Leaf)) {
		t.Errorf("%v does not tell the fingerprint %s", err, Fingerprint(other.Leaf))
	}
	if err := Plainly(os.ErrClosed); err != os.ErrClosed {
		t.Errorf("another error became %v", err)
	}
}

// TestFiles: what cannot be a certificate, a key or a trust file is refused, and
// the message says why.
func TestFiles(t *testing.T) {
	_, cert, key := made(t, -1, 9, bothEnds...)
	_, old, oldKey := made(t, -9, -1, bothEnds...)
	_, young, youngKey := made(t, 5, 9, bothEnds...)
	dir := t.TempDir()
	write := func(name, text string) string {
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return name
	}
	read := func(name string) string {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	open := write("open.pem", read(key))
	if _, err := Pair(cert, key, time.Now()); err != nil {
		t.Error(err)
	}
	for want, files := range map[string][2]string{
		"chmod 600":   {cert, open},
		"out of date": {old, oldKey},
		"clock right": {young, youngKey},
		"tls make":    {cert, oldKey},
		"no such":     {filepath.Join(dir, "none"), key},
	} {
		if _, err := Pair(files[0], files[1], time.Now()); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("pair of %v: %v, want it to say %q", files, err, want)
		}
	}
	if _, all, err := Pool(write("two.pem", read(cert)+"\n"+read(old))); err != nil || len(all) != 2 {
		t.Errorf("a file of two: %d, %v", len(all), err)
	}
	if pool, _, err := Pool(System); err != nil || pool != nil {
		t.Errorf("the machine's authorities: %v, %v", pool, err)
	}
	for want, text := range map[string]string{
		"no certificate": "hello",
		"no keys":        read(cert) + read(key),
		"certificate 2":  read(cert) + "-----BEGIN CERTIFICATE-----\nMAAB\n-----END CERTIFICATE-----\n",
	} {
		if _, _, err := Pool(write("bad.pem", text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("trust file %.20q…: %v, want it to say %q", text, err, want)
		}
	}
	for host, want := range map[string]bool{"127.0.0.1": true, "127.3.2.1": true, "::1": true, "localhost": true, "10.0.0.1": false, "": false, "0.0.0.0": false, "shop": false} {
		if got := OnLoopback(host); got != want {
			t.Errorf("OnLoopback(%q) is %t", host, got)
		}
	}
}
