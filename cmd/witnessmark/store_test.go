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
	far := "10.0.0.1:4222"
	for name, c := range map[string]struct {
		change func(*storeOptions)
		says   string // "": it is good
	}{
		"alone":                 {func(*storeOptions) {}, ""},
		"elsewhere, no secret":  {func(o *storeOptions) { o.listen = far }, "--secret-file"},
		"elsewhere, a secret":   {func(o *storeOptions) { o.listen, o.secret = far, strings.Repeat("s", 20) }, ""},
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
