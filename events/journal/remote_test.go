package journal

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// remote starts a NATS server on loopback, as an operator would with a
// configuration file.
func remote(t *testing.T, dir string, port int, config string) *server.Server {
	t.Helper()
	file := filepath.Join(t.TempDir(), "server.conf")
	text := fmt.Sprintf("listen: \"127.0.0.1:%d\"\njetstream { store_dir: %q\n%s", port, dir, config)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	opts, err := server.ProcessConfigFile(file)
	if err != nil {
		t.Fatal(err)
	}
	opts.NoLog, opts.NoSigs = true, true
	srv, err := server.NewServer(opts)
	if err != nil {
		t.Fatal(err)
	}
	srv.Start()
	if !srv.ReadyForConnections(5 * time.Minute) {
		t.Fatal("server does not start")
	}
	t.Cleanup(func() { stopServer(srv) })
	return srv
}

// tells makes the server's settings visible to the account of the journal.
const tells = `
accounts {
  SYS { users: [{user: s, password: s}], exports: [{service: "$SYS.REQ.SERVER.*.JSZ"}] }
  APP { jetstream: enabled, users: [{user: a, password: a}],
        imports: [{service: {account: SYS, subject: "$SYS.REQ.SERVER.*.JSZ"}}] }
}
system_account: SYS`

// TestRemoteSync: what can be proven of the server's sync setting is, what
// cannot be is said, and what is unsafe is refused.
func TestRemoteSync(t *testing.T) {
	for _, c := range []struct {
		name, config, user string
		unsafe             bool
		sync               string
	}{
		{"told, always", "sync_interval: always }" + tells, "a:a@", false, SyncAlways},
		{"told, default", "}" + tells, "a:a@", true, ""},
		{"not told", "sync_interval: always }", "", false, "not proven"},
	} {
		t.Run(c.name, func(t *testing.T) {
			srv := remote(t, t.TempDir(), -1, c.config)
			url := "nats://" + c.user + srv.Addr().String()
			j, err := Open(context.Background(), Config{Shop: "fenholt", URL: url, MaxBytes: 1 << 30})
			if errors.Is(err, ErrUnsafe) != c.unsafe {
				t.Fatalf("open: %v, want ErrUnsafe: %v", err, c.unsafe)
			}
			if c.unsafe {
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			defer j.Close()
			mustAppend(t, j, ask("desk", 0), ask("desk", 0))
			if got := j.Stats(); !strings.HasPrefix(got.Sync, c.sync) || got.Embedded {
				t.Errorf("stats %+v, want sync %q", got, c.sync)
			}
		})
	}
}

// TestRemotePersistMode: a stream whose own setting overrides the server's
// sync is refused.
func TestRemotePersistMode(t *testing.T) {
	srv := remote(t, t.TempDir(), -1, "sync_interval: always }")
	nc, err := nats.Connect(srv.ClientURL())
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	n := naming{"fenholt"}
	if _, err := js.CreateStream(context.Background(), jetstream.StreamConfig{
		Name: n.stream(), Subjects: []string{n.all()}, PersistMode: jetstream.AsyncPersistMode,
		Metadata: map[string]string{metaID: "0123", "shop": "fenholt"},
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(context.Background(), Config{Shop: "fenholt", URL: srv.ClientURL()}); !errors.Is(err, ErrUnsafe) {
		t.Errorf("open: %v, want ErrUnsafe", err)
	}
}

// TestRemoteGoesAway: the server restarts; the journal takes up again, and
// what is known of its stream is kept in Dir.
func TestRemoteGoesAway(t *testing.T) {
	store, dir := t.TempDir(), t.TempDir()
	at, err := net.ResolveTCPAddr("tcp", freePort(t))
	if err != nil {
		t.Fatal(err)
	}
	srv := remote(t, store, at.Port, "sync_interval: always }")
	cfg := Config{Shop: "fenholt", URL: srv.ClientURL(), Dir: dir, MinFree: 1, AckTimeout: time.Second, MaxBytes: 1 << 30}
	j, err := Open(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { j.Close() }()
	mustAppend(t, j, ask("desk", 1))
	stopServer(srv)
	if _, err := j.Append(context.Background(), ask("desk", 2)); !errors.Is(err, ErrNotStored) && !errors.Is(err, ErrUnknown) {
		t.Errorf("append without a server: %v", err)
	}
	remote(t, store, at.Port, "sync_interval: always }")
	eventually(t, func() bool { _, err = j.Append(context.Background(), ask("desk", 2)); return err == nil })
	if got := readAll(t, j, 1, 0); len(got) != 2 || j.Stats().State != StateOK {
		t.Errorf("%d entries, want 2; %+v", len(got), j.Stats())
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(context.Background(), Config{Shop: "fenholt", URL: remote(t, t.TempDir(), -1, "}").ClientURL(), Dir: dir}); !errors.Is(err, ErrMissing) {
		t.Errorf("open with another, empty server: %v, want ErrMissing", err)
	}
	if j, err = Open(context.Background(), cfg); err != nil {
		t.Fatal(err)
	}
	if j.Last() != 2 {
		t.Errorf("last %d, want 2", j.Last())
	}
}
