package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// What could be reached by anybody is refused, and each refusal says what to
// do.
func TestStoreOptions(t *testing.T) {
	good := storeOptions{name: "n1", data: "d", listen: "127.0.0.1:4222"}
	far, secret := "10.0.0.1:4222", strings.Repeat("s", 20)
	for name, c := range map[string]struct {
		change func(*storeOptions)
		says   string // "": it is good
	}{
		"alone":                {func(*storeOptions) {}, ""},
		"elsewhere, no secret": {func(o *storeOptions) { o.listen = far }, "--secret-file"},
		"elsewhere, a secret":  {func(o *storeOptions) { o.listen, o.secret = far, secret }, "--tls-cert"},
		"all addresses":        {func(o *storeOptions) { o.listen, o.secret = "0.0.0.0:4222", secret }, "--tls-cert"},
		"elsewhere, TLS":       {func(o *storeOptions) { o.listen, o.secret, o.cert, o.key = far, secret, "c", "k" }, ""},
		"elsewhere, a tunnel":  {func(o *storeOptions) { o.listen, o.secret, o.plain = far, secret, true }, ""},
		"TLS without secret":   {func(o *storeOptions) { o.listen, o.cert, o.key = far, "c", "k" }, "--secret-file"},
		"no key":               {func(o *storeOptions) { o.cert = "c" }, "--tls-key"},
		"TLS and none":         {func(o *storeOptions) { o.cert, o.key, o.plain = "c", "k", true }, "--plain"},
		"trust and no TLS":     {func(o *storeOptions) { o.trust = "t" }, "--tls-cert"},
		"nodes elsewhere": {func(o *storeOptions) {
			o.secret, o.cluster, o.nodes = secret, "10.0.0.1:6222", []string{"10.0.0.1:6222", "b:1", "c:1"}
		}, "--tls-cert"},
		"TLS, trusting nobody": {func(o *storeOptions) {
			o.cert, o.key, o.cluster, o.nodes = "c", "k", "127.0.0.1:6222", []string{"a:1", "b:1", "c:1"}
		}, "--trust"},
		"a hub elsewhere": {func(o *storeOptions) { o.secret, o.hub, o.of = secret, "10.0.0.9:7422", "fenholt" }, "--tls-cert"},
		"a hub, no trust": {func(o *storeOptions) {
			o.secret, o.hub, o.of, o.cert, o.key = secret, "10.0.0.9:7422", "fenholt", "c", "k"
		}, "--trust"},
		"takes elsewhere":       {func(o *storeOptions) { o.secret, o.takes = secret, "0.0.0.0:7422" }, "--tls-cert"},
		"a host name":           {func(o *storeOptions) { o.listen = "bench:4222" }, "--secret-file"},
		"no port":               {func(o *storeOptions) { o.listen = "127.0.0.1" }, "host:port"},
		"a bad name":            {func(o *storeOptions) { o.name = "n 1" }, "--name"},
		"nodes without cluster": {func(o *storeOptions) { o.nodes = []string{"a"} }, "--cluster"},
		"two nodes": {func(o *storeOptions) {
			o.cluster, o.nodes = "127.0.0.1:6222", []string{"127.0.0.1:6222", "127.0.0.1:6223"}
		}, "three"},
	} {
		o := good
		c.change(&o)
		err := o.validate()
		if (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want it to say %q", name, err, c.says)
		}
	}
	dir := t.TempDir()
	short := filepath.Join(dir, "short")
	if err := os.WriteFile(short, []byte("123\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := newStore()
	if err := cmd.ParseFlags([]string{"--secret-file", short}); err != nil {
		t.Fatal(err)
	}
	if _, err := readStoreOptions(cmd); err == nil || !strings.Contains(err.Error(), "16 or more") {
		t.Errorf("a short secret: %v", err)
	}
}
