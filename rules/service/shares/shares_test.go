package shares

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"go.uber.org/goleak"
	"pgregory.net/rapid"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// TestPlan: whoever lives has its even part, and no share moves without need.
func TestPlan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		names := []string{"a", "b", "c", "d", "e"}
		owners := rapid.SliceOfN(rapid.SampledFrom(append(names, "")), 1, 40).Draw(t, "owners")
		live := rapid.SliceOfNDistinct(rapid.SampledFrom(names), 1, 5, rapid.ID).Draw(t, "live")
		slices.Sort(live)
		next := plan(owners, live)
		has := map[string]int{}
		for _, o := range next {
			if !slices.Contains(live, o) {
				t.Fatalf("%q has a share and does not live", o)
			}
			has[o]++
		}
		low, high := len(next)/len(live), (len(next)+len(live)-1)/len(live)
		for _, m := range live {
			if has[m] < low || has[m] > high {
				t.Fatalf("%s has %d shares of %d among %d", m, has[m], len(next), len(live))
			}
		}
		// What has to move: the shares of the dead, and what is over the even part.
		must := 0
		had := map[string]int{}
		for _, o := range owners {
			had[o]++
		}
		over := 0
		for o, n := range had {
			if !slices.Contains(live, o) {
				must += n
			} else if n > high {
				over += n - high
			}
		}
		moved := 0
		for i := range owners {
			if next[i] != owners[i] {
				moved++
			}
		}
		if most := must + over + len(live); moved > most {
			t.Fatalf("%d shares moved, %d had to", moved, must+over)
		}
		if again := plan(next, live); !slices.Equal(again, next) {
			t.Fatalf("a plan that fits was changed: %v, %v", next, again)
		}
	})
}

func natsServer(t *testing.T) *server.Server {
	t.Helper()
	srv, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: -1, JetStream: true, StoreDir: t.TempDir(), NoLog: true, NoSigs: true})
	if err != nil {
		t.Fatal(err)
	}
	srv.Start()
	if !srv.ReadyForConnections(5 * time.Minute) {
		t.Fatal("NATS server does not start")
	}
	t.Cleanup(func() { srv.Shutdown(); srv.WaitForShutdown() })
	return srv
}

const shares = 8

// member is one that takes part; stop ends it as an orderly stop does, cut as
// a lost machine does.
type member struct {
	*Group
	stop func()
	cut  func()
}

func join(t *testing.T, srv *server.Server, name string, lapse ...time.Duration) *member {
	t.Helper()
	nc, err := nats.Connect(srv.ClientURL())
	if err != nil {
		t.Fatal(err)
	}
	g, err := New(Config{Conn: nc, Shop: "fenholt", Member: name, Shares: shares, Beat: 20 * time.Millisecond, Lapse: append(lapse, 400*time.Millisecond)[0]})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- g.Run(ctx) }()
	end := func(hard bool) func() {
		return func() {
			if ctx.Err() != nil {
				return
			}
			if hard {
				nc.Close()
			}
			cancel()
			if err := <-ended; err != nil {
				t.Error(err)
			}
			nc.Close()
		}
	}
	m := &member{g, end(false), end(true)}
	t.Cleanup(m.stop)
	return m
}

func (m *member) has() (n int) {
	for i := range shares {
		if m.Owns(i) {
			n++
		}
	}
	return n
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatal("did not come to this: ", what)
		}
	}
}

// TestSharesMove: one has all; a second gets half; one that stops or is lost
// leaves its shares to the other, and none is left without an owner.
func TestSharesMove(t *testing.T) {
	srv := natsServer(t)
	a := join(t, srv, "a")
	eventually(t, "a has all", func() bool { return a.has() == shares })
	b := join(t, srv, "b")
	half := func(x, y *member) func() bool {
		return func() bool { return x.has() == shares/2 && y.has() == shares/2 }
	}
	eventually(t, "half each", half(a, b))
	a.stop()
	eventually(t, "b has all after a stopped", func() bool { return b.has() == shares })
	a = join(t, srv, "a")
	eventually(t, "half each again", half(a, b))
	b.cut()
	if b.has() != 0 {
		eventually(t, "one that is cut off counts nothing as its own", func() bool { return b.has() == 0 })
	}
	eventually(t, "a has all after b was lost", func() bool { return a.has() == shares })
	c, d := join(t, srv, "c"), join(t, srv, "d")
	eventually(t, "three parts", func() bool {
		return a.has()+c.has()+d.has() == shares && min(a.has(), c.has(), d.has()) == 2
	})
}

// TestComesBackAtOnce: one that is lost and comes back under its name has its
// shares without waiting for a lapse, here an hour, and nobody's move.
func TestComesBackAtOnce(t *testing.T) {
	srv := natsServer(t)
	a, b := join(t, srv, "a", time.Hour), join(t, srv, "b", time.Hour)
	eventually(t, "half each", func() bool { return a.has() == shares/2 && b.has() == shares/2 })
	before := a.Owners()
	b.cut()
	b = join(t, srv, "b", time.Hour)
	eventually(t, "b has its half", func() bool { return b.has() == shares/2 })
	if got := a.Owners(); !slices.Equal(got, before) {
		t.Errorf("shares moved: %v, were %v", got, before)
	}
}

func TestValidate(t *testing.T) {
	srv := natsServer(t)
	nc, err := nats.Connect(srv.ClientURL())
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	for name, c := range map[string]Config{
		"no connection": {Shop: "s", Member: "a", Shares: 1},
		"no name":       {Conn: nc, Shop: "s", Shares: 1},
		"a bad name":    {Conn: nc, Shop: "s", Member: "a b", Shares: 1},
		"no shares":     {Conn: nc, Shop: "s", Member: "a"},
	} {
		if _, err := New(c); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
