package journal

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/nats-io/nats.go"
	"go.uber.org/goleak"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// log is what both kinds of journal are to the suite.
type log interface {
	Append(context.Context, ...events.Event) ([]uint64, error)
	LastNumber(string) uint64
	LastOf(context.Context, string) (events.Entry, bool, error)
	Last() uint64
	Read(context.Context, uint64, uint64, func([]events.Entry) error) error
	Follow(context.Context, uint64, func([]events.Entry) error) error
	Newest(context.Context, string, string, uint64, int) (map[string][]events.Entry, error)
	Holes() []Hole
	Close() error
}

// kind makes a log, can open it again, and can put a message in it that this
// program did not write.
type kind struct {
	log
	rounds int // of what is done often
	reopen func()
	put    func(head events.Event, typ string, data []byte)
}

// both runs a test over memory, over JetStream, and over a journal that is
// opened as shared at a server of its own.
func both(t *testing.T, test func(t *testing.T, k *kind)) {
	t.Run("memory", func(t *testing.T) {
		m := NewMemory("fenholt")
		defer m.Close()
		test(t, &kind{log: m, rounds: 60, reopen: func() {}, put: func(e events.Event, typ string, data []byte) {
			m.PutWritten(e, typ, data)
		}})
	})
	t.Run("jetstream", func(t *testing.T) {
		defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
		dir := t.TempDir()
		j := openAt(t, dir)
		k := &kind{log: j, rounds: 60}
		k.reopen = func() {
			if err := j.Close(); err != nil {
				t.Fatal("close:", err)
			}
			j = openAt(t, dir)
			k.log = j
		}
		k.put = func(e events.Event, typ string, data []byte) {
			putRaw(t, j, e, typ, data)
			k.reopen() // so that it knows
		}
		defer func() { j.Close() }()
		test(t, k)
	})
	t.Run("shared", func(t *testing.T) {
		url := remote(t, t.TempDir(), -1, "sync_interval: always }").ClientURL()
		j := openShared(t, url)
		k := &kind{log: j, rounds: 6} // it reads as the others do, and slower
		k.reopen = func() {
			if err := j.Close(); err != nil {
				t.Fatal("close:", err)
			}
			j = openShared(t, url)
			k.log = j
		}
		k.put = func(e events.Event, typ string, data []byte) {
			putRaw(t, j, e, typ, data)
			k.reopen()
		}
		defer func() { j.Close() }()
		test(t, k)
	})
}

func openShared(t testing.TB, url string, change ...func(*Config)) *Journal {
	t.Helper()
	cfg := Config{Shop: "fenholt", URL: url, Shared: true, MaxBytes: 1 << 30}
	for _, c := range change {
		c(&cfg)
	}
	j, err := Open(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func openAt(t testing.TB, dir string, change ...func(*Config)) *Journal {
	t.Helper()
	cfg := Config{Shop: "fenholt", Dir: dir, MinFree: 1}
	for _, c := range change {
		c(&cfg)
	}
	j, err := Open(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// putRaw publishes past the journal.
func putRaw(t testing.TB, j *Journal, e events.Event, typ string, data []byte) {
	t.Helper()
	subject, err := j.names.subject(e.Source)
	if err != nil {
		t.Fatal(err)
	}
	m := &nats.Msg{Subject: subject, Header: j.names.headers(&e, typ), Data: data}
	if _, err := j.session.js.PublishMsg(context.Background(), m); err != nil {
		t.Fatal(err)
	}
}

// sameEntry compares every field, those inside quantities too.
var sameEntry = cmp.Exporter(func(reflect.Type) bool { return true })

func readAll(t testing.TB, l log, from, to uint64) (all []events.Entry) {
	t.Helper()
	if err := l.Read(context.Background(), from, to, func(e []events.Entry) error {
		all = append(all, e...)
		return nil
	}); err != nil {
		t.Fatalf("read %d to %d: %v", from, to, err)
	}
	return all
}

func mustAppend(t testing.TB, l log, evs ...events.Event) []uint64 {
	t.Helper()
	seqs, err := l.Append(context.Background(), evs...)
	if err != nil {
		t.Fatal("append:", err)
	}
	return seqs
}

// samples holds invented events of many types with every field set.
func samples() []events.Event {
	n := uint64(17)
	at := events.Instant(1_764_070_245_123_457)
	full := events.ReadingTaken{
		Device: "w1", Tool: "tw-60", Bench: "b1", Mode: events.ModePeak, Text: "26.0", Unit: "lbf.ft", UnitAssumed: true,
		Value: quantity.PoundFeet(26).Value(), Resolution: quantity.PoundFeet(0.1).Value(), Angle: quantity.Degrees(33.25).Value(),
		DurationUs: 812_345, ToolCounter: &n, ToolStatus: "ok", ToolClock: "25-11-26 11:30", ReceivedAtUs: at, Stale: true,
		Profile: "pinn-d3/1a2b3c4d", Bytes: []byte{0, 1, 2, 0xff, '\r', '\n'}, Offset: 1 << 40, By: "ana", Job: "RA-1",
	}
	shop := events.Shop{ID: "fenholt", Name: "Fenholt Driveline", Benches: []events.Bench{{ID: "b1", Name: "Bench 1"}},
		Tools: []events.Tool{{ID: "tw-60", Kind: events.ToolTorqueWrench, Least: quantity.NewtonMetres(12).Value(),
			Most: quantity.NewtonMetres(60).Value(), URel: 0.04, Calibrated: "2026-01-10", Due: "2027-01-10"}}}
	decided := events.Decided{Cause: 3, CauseUs: at, Rules: "1", Outcomes: []events.Outcome{
		{Data: events.ShopAdopted{Shop: shop, Hash: "00ff"}},
		{Data: events.ReadingDismissed{Reading: 2, By: "ana", Reason: "Fehlgriff — „Ölfilter“ 100 % <&>"}},
	}}
	return []events.Event{
		{Source: "device/w1", Time: at, Subject: "tw-60", Data: full},
		{Source: "device/w1", Time: at + 1, Data: events.FrameRefused{Device: "w1", Bench: "b1", Bytes: []byte("garbage"), Reason: "noise", Detail: "no start", ReceivedAtUs: at}},
		{Source: "desk", Time: 0, Subject: `job "7" 100 % größer €😀`, Data: events.JobAsked{Ask: events.Ask{By: "ana", Bench: "b1", AtUs: at}, Job: "RA-1", UnitSerial: "Ü 12"}},
		{Source: "desk", Time: -1, Data: events.ShopDescribed{Ask: events.Ask{By: "ana", AtUs: at}, Shop: shop, Hash: "00ff"}},
		{Source: "rules", Time: at + 999_999, Subject: "RA-1", Data: decided},
		{Source: "clock", Time: 1, Data: events.TimeReached{AtUs: at}},
		{Source: "device/w-2/line_b", Time: at, Data: events.SamplesCaptured{Device: "w-2", Unit: "mm", Values: []float64{0.1, -0.0003, 1e-17}, AtUs: []int64{0, 5}, FirstUs: at, Bytes: []byte("x")}},
	}
}

// TestRoundTrip: what is read, followed live and read after opening again is
// what was appended, field for field.
func TestRoundTrip(t *testing.T) {
	both(t, func(t *testing.T, k *kind) {
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		evs := samples()
		live := make(chan events.Entry, len(evs))
		ended := make(chan error)
		go func() {
			ended <- k.Follow(ctx, 1, func(es []events.Entry) error {
				for _, e := range es {
					live <- e
				}
				return nil
			})
		}()
		seqs := mustAppend(t, k, evs[:3]...)
		for _, e := range evs[3:] {
			seqs = append(seqs, mustAppend(t, k, e)...)
		}
		var want, followed []events.Entry
		numbers := map[string]uint64{}
		for i, e := range evs {
			numbers[e.Source]++
			e.Number = numbers[e.Source]
			want = append(want, events.Entry{Seq: seqs[i], Event: e})
			followed = append(followed, receive(t, live))
		}
		cancel()
		if err := <-ended; !errors.Is(err, context.Canceled) {
			t.Errorf("follow ended with %v, want context.Canceled", err)
		}
		diff(t, "followed", followed, want)
		diff(t, "read", readAll(t, k, 0, 0), want)
		k.reopen()
		diff(t, "read after opening again", readAll(t, k, 1, 99), want)
		for source, n := range numbers {
			e, ok, err := k.LastOf(context.Background(), source)
			if k.LastNumber(source) != n || err != nil || !ok || e.Number != n || e.Source != source {
				t.Errorf("source %q: last number %d, last of %+v %v %v; want number %d", source, k.LastNumber(source), e, ok, err, n)
			}
		}
		if _, ok, err := k.LastOf(context.Background(), "device/none"); ok || err != nil {
			t.Errorf("last of an unknown source: %v %v, want none", ok, err)
		}
		if k.Last() != uint64(len(evs)) || len(k.Holes()) != 0 {
			t.Errorf("last %d, holes %v; want %d and none", k.Last(), k.Holes(), len(evs))
		}
	})
}

func diff(t testing.TB, what string, got, want any) {
	t.Helper()
	if d := cmp.Diff(want, got, sameEntry); d != "" {
		t.Errorf("%s (-want +got):\n%s", what, d)
	}
}

func receive[T any](t testing.TB, ch <-chan T) (v T) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	select {
	case v = <-ch:
	case <-ctx.Done():
		t.Fatal("nothing came")
	}
	return v
}

func ask(source string, number uint64) events.Event {
	return events.Event{Source: source, Number: number, Time: 7, Data: events.TimeReached{AtUs: events.Instant(number)}}
}

// TestNumbers: repeats are harmless, gaps are refused whole.
func TestNumbers(t *testing.T) {
	both(t, func(t *testing.T, k *kind) {
		ctx := context.Background()
		first := mustAppend(t, k, ask("device/a", 1), ask("device/b", 0), ask("device/a", 2))
		diff(t, "sequences", first, []uint64{1, 2, 3})
		diff(t, "repeat and new in one call", mustAppend(t, k, ask("device/a", 2), ask("device/a", 3), ask("device/a", 3)), []uint64{3, 4, 4})
		alone := mustAppend(t, k, ask("device/a", 1))
		for end := time.Now().Add(time.Minute); alone[0] == 0 && time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
			alone = mustAppend(t, k, ask("device/a", 1)) // a shared journal's feed has not told it yet
		}
		diff(t, "repeat alone", alone, []uint64{1})

		var gap *NumberGapError
		_, err := k.Append(ctx, ask("device/b", 2), ask("device/a", 5))
		if !errors.As(err, &gap) || *gap != (NumberGapError{"device/a", 4, 5}) || !errors.Is(err, ErrNotStored) {
			t.Fatalf("gap: %v, want NumberGapError 4 5", err)
		}
		if k.LastNumber("device/b") != 1 || k.Last() != 4 {
			t.Errorf("after a gap: last number %d, last %d; want nothing written", k.LastNumber("device/b"), k.Last())
		}
		k.reopen()
		mustAppend(t, k, ask("device/a", 3), ask("device/b", 2), ask("device/a", 4))
		got := readAll(t, k, 1, 0)
		if len(got) != 6 || got[4].Source != "device/b" || got[5].Number != 4 {
			t.Errorf("after opening again: %+v", got)
		}
	})
}

// TestRefused: what cannot be stored is refused before anything is written.
func TestRefused(t *testing.T) {
	both(t, func(t *testing.T, k *kind) {
		big := events.FrameRefused{Bytes: make([]byte, MaxEvent)}
		year := events.InstantOf(time.Date(10_000, 1, 1, 0, 0, 0, 0, time.UTC))
		for name, e := range map[string]events.Event{
			"empty source":       {Source: "", Data: events.TimeReached{}},
			"dot":                {Source: "device.a", Data: events.TimeReached{}},
			"wildcard":           {Source: "device/*", Data: events.TimeReached{}},
			"empty part":         {Source: "device//a", Data: events.TimeReached{}},
			"no data":            {Source: "desk"},
			"too large":          {Source: "desk", Data: big},
			"year 10000":         {Source: "desk", Time: year, Data: events.TimeReached{}},
			"subject not UTF-8":  {Source: "desk", Subject: "\xff", Data: events.TimeReached{}},
			"subject too long":   {Source: "desk", Subject: strings.Repeat("x", 513), Data: events.TimeReached{}},
			"cannot be encoded":  {Source: "desk", Data: events.Decided{Outcomes: []events.Outcome{{}}}},
			"header in a source": {Source: "desk\r\nce-id: 9", Data: events.TimeReached{}},
		} {
			_, err := k.Append(context.Background(), ask("desk", 0), e)
			if !errors.Is(err, ErrNotStored) || errors.Is(err, ErrTooLarge) != (name == "too large") {
				t.Errorf("%s: %v, want ErrNotStored", name, err)
			}
		}
		if k.Last() != 0 {
			t.Errorf("last is %d, want nothing written", k.Last())
		}
		almost := events.FrameRefused{Bytes: make([]byte, MaxEvent*3/4-1000)}
		mustAppend(t, k, events.Event{Source: "desk", Data: almost})
		if got := readAll(t, k, 1, 0); len(got) != 1 || len(got[0].Data.(events.FrameRefused).Bytes) != len(almost.Bytes) {
			t.Errorf("an event just below the limit did not come back whole")
		}
	})
}

// TestLiveIsAsRead: a pointer, and text that is no UTF-8, come live as they
// come after a restart.
func TestLiveIsAsRead(t *testing.T) {
	both(t, func(t *testing.T, k *kind) {
		mustAppend(t, k, events.Event{Source: "desk", Data: &events.TimeReached{AtUs: 5}},
			events.Event{Source: "desk", Data: events.FrameRefused{Detail: "bad \xff byte"}})
		var live []events.Entry
		enough := errors.New("enough")
		if err := k.Follow(context.Background(), 1, func(es []events.Entry) error {
			if live = append(live, es...); len(live) < 2 {
				return nil
			}
			return enough
		}); err != enough {
			t.Fatalf("follow: %v, want fn's error as it is", err)
		}
		diff(t, "live", live, readAll(t, k, 1, 0))
	})
}

// TestReadRanges: the ends are included; fn's error comes back as it is.
func TestReadRanges(t *testing.T) {
	both(t, func(t *testing.T, k *kind) {
		if got := readAll(t, k, 1, 0); got != nil {
			t.Errorf("empty journal: %v", got)
		}
		var evs []events.Event
		for range 1500 {
			evs = append(evs, ask("desk", 0))
		}
		mustAppend(t, k, evs...)
		for _, c := range []struct{ from, to, first, n uint64 }{
			{0, 0, 1, 1500}, {1, 1, 1, 1}, {1500, 1500, 1500, 1}, {300, 1200, 300, 901}, {1499, 9999, 1499, 2}, {1501, 0, 0, 0}, {5, 4, 0, 0},
		} {
			got := readAll(t, k, c.from, c.to)
			if uint64(len(got)) != c.n || c.n > 0 && (got[0].Seq != c.first || got[c.n-1].Seq != c.first+c.n-1) {
				t.Errorf("read %d to %d: %d entries, want %d from %d", c.from, c.to, len(got), c.n, c.first)
			}
		}
		stop := errors.New("stop")
		calls := 0
		err := k.Read(context.Background(), 1, 0, func([]events.Entry) error { calls++; return stop })
		if err != stop || calls != 1 {
			t.Errorf("fn's error: got %v after %d calls", err, calls)
		}
		ctx, cancel := context.WithCancel(context.Background())
		err = k.Read(ctx, 1, 0, func([]events.Entry) error { cancel(); return nil })
		if !errors.Is(err, context.Canceled) || len(k.Holes()) != 0 {
			t.Errorf("canceled read: %v, holes %v; want context.Canceled and no holes", err, k.Holes())
		}
	})
}

// TestReadStops: a reader that stops at any place leaves nothing behind and
// breaks nothing, whatever is still being fetched and decoded.
func TestReadStops(t *testing.T) {
	both(t, func(t *testing.T, k *kind) {
		evs := make([]events.Event, 5000)
		for i := range evs {
			evs[i] = ask("desk", 0)
		}
		mustAppend(t, k, evs...)
		stop := errors.New("stop")
		for round := range k.rounds {
			seen := 0
			ctx, cancel := context.WithCancel(context.Background())
			err := k.Read(ctx, 1, 0, func(es []events.Entry) error {
				seen += len(es)
				switch {
				case seen <= 75*round:
					return nil
				case round%2 == 0:
					cancel()
					return nil
				}
				return stop
			})
			cancel()
			if err != nil && err != stop && !errors.Is(err, context.Canceled) {
				t.Fatalf("read: %v", err)
			}
		}
		if len(k.Holes()) != 0 {
			t.Errorf("holes: %v", k.Holes())
		}
	})
}

// TestNewer: an event of a newer version is an error that names it, after all
// that came before it; it is not damage.
func TestNewer(t *testing.T) {
	both(t, func(t *testing.T, k *kind) {
		mustAppend(t, k, ask("desk", 0), ask("desk", 0))
		k.put(events.Event{Source: "desk", Number: 3}, "witnessmark.time.reached.v9", []byte(`{"at":"soon"}`))
		var got []events.Entry
		fn := func(es []events.Entry) error { got = append(got, es...); return nil }
		for name, read := range map[string]func() error{
			"read":   func() error { return k.Read(context.Background(), 1, 0, fn) },
			"follow": func() error { return k.Follow(context.Background(), 1, fn) },
		} {
			got = nil
			err := read()
			if !errors.Is(err, events.ErrNewer) || !strings.Contains(fmt.Sprint(err), "entry 3") || !strings.Contains(fmt.Sprint(err), "witnessmark.time.reached.v9") {
				t.Errorf("%s: %v, want ErrNewer with entry and type", name, err)
			}
			if len(got) != 2 {
				t.Errorf("%s gave %d entries before it, want 2", name, len(got))
			}
		}
	})
}

// TestFollowers: many writers, many followers from different places: each
// sees the same order without gap or repeat.
func TestFollowers(t *testing.T) {
	both(t, func(t *testing.T, k *kind) {
		const writers, each = 5, 120
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		var followers sync.WaitGroup
		got := make([][]events.Entry, 4)
		mustAppend(t, k, ask("desk", 0), ask("desk", 0), ask("desk", 0))
		for i := range got {
			followers.Go(func() {
				from := uint64(i + 1)
				err := k.Follow(ctx, from, func(es []events.Entry) error {
					got[i] = append(got[i], es...)
					if es[len(es)-1].Seq == 3+writers*each {
						return context.Canceled
					}
					return nil
				})
				if err != context.Canceled {
					t.Errorf("follower %d: %v", i, err)
				}
			})
		}
		var writing sync.WaitGroup
		for w := range writers {
			writing.Go(func() {
				source := fmt.Sprintf("device/%d", w)
				for n := range each {
					if _, err := k.Append(ctx, ask(source, uint64(n+1))); err != nil {
						t.Error(err)
						return
					}
				}
			})
		}
		writing.Wait()
		followers.Wait()
		all := readAll(t, k, 1, 0)
		for i := range got {
			diff(t, fmt.Sprintf("follower %d", i), got[i], all[i:])
		}
		if len(k.Holes()) != 0 {
			t.Errorf("holes: %v", k.Holes())
		}
	})
}

// TestClosed: nothing hangs after Close.
func TestClosed(t *testing.T) {
	both(t, func(t *testing.T, k *kind) {
		mustAppend(t, k, ask("desk", 0))
		ended := make(chan error, 1)
		began := make(chan bool, 1)
		go func() {
			ended <- k.Follow(context.Background(), 1, func([]events.Entry) error { began <- true; return nil })
		}()
		receive(t, began)
		k.Close()
		if err := receive(t, ended); !errors.Is(err, ErrClosed) {
			t.Errorf("follow after close: %v, want ErrClosed", err)
		}
		if _, err := k.Append(context.Background(), ask("desk", 0)); !errors.Is(err, ErrClosed) || !errors.Is(err, ErrNotStored) {
			t.Errorf("append after close: %v, want ErrClosed and ErrNotStored", err)
		}
		if err := k.Close(); err != nil {
			t.Errorf("closing twice: %v", err)
		}
		k.reopen()
	})
}

// The newest events of each source under a prefix: of one kind, in order, and
// none of other sources.
func TestNewest(t *testing.T) {
	both(t, func(t *testing.T, k *kind) {
		for i := range 30 {
			source := []string{"device/a", "device/b", "desk"}[i%3]
			var d events.Data = events.ReadingTaken{Tool: "k2", Text: fmt.Sprint(i)}
			if i%4 == 0 {
				d = events.TimeReached{AtUs: events.Instant(i)}
			}
			if _, err := k.Append(t.Context(), events.Event{Source: source, Data: d}); err != nil {
				t.Fatal(err)
			}
		}
		got, err := k.Newest(t.Context(), "device", "reading.taken", 5, 3)
		if err != nil {
			t.Fatal(err)
		}
		text := map[string]string{}
		for source, es := range got {
			for _, e := range es {
				text[source] += fmt.Sprintf("J%d %s; ", e.Seq, e.Data.(events.ReadingTaken).Text)
			}
		}
		// By hand: entry n holds i = n-1; those of i divisible by four are no readings.
		want := map[string]string{"device/a": "J19 18; J22 21; J28 27; ", "device/b": "J20 19; J23 22; J26 25; "}
		if diff := cmp.Diff(want, text); diff != "" {
			t.Error(diff)
		}
	})
}
