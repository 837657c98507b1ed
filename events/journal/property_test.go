package journal

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"witnessmark/events"
)

// TestFollowIsRead: whatever is appended by whom, in calls of whatever size,
// with repeats, over a tail so small that followers fall behind it: a
// follower from any place gets exactly what a later Read gives.
func TestFollowIsRead(t *testing.T) {
	t.Run("memory", func(t *testing.T) {
		rapid.Check(t, func(rt *rapid.T) {
			m := NewMemory("fenholt")
			m.tail.limit(4, 1<<20)
			followIsRead(rt, m, func() log { return m })
			m.Close()
		})
	})
	t.Run("jetstream", func(t *testing.T) {
		round := 0
		rapid.Check(t, func(rt *rapid.T) {
			if round++; round > 25 && !testing.Verbose() {
				return // each opens a server twice
			}
			dir := t.TempDir()
			j := openAt(t, dir, func(c *Config) { c.RingEvents = 4 })
			followIsRead(rt, j, func() log { j.Close(); j = openAt(t, dir); return j })
			j.Close()
		})
	})
}

func followIsRead(t *rapid.T, l log, reopen func() log) {
	writers := rapid.IntRange(1, 4).Draw(t, "writers")
	var calls [4][]int
	total := 0
	for w := range writers {
		calls[w] = rapid.SliceOfN(rapid.SampledFrom([]int{1, 1, 2, 5, 13, 40}), 1, 6).Draw(t, fmt.Sprint("calls", w))
		for _, n := range calls[w] {
			total += n
		}
	}
	again := rapid.Bool().Draw(t, "repeat")
	from := rapid.SliceOfN(rapid.IntRange(1, total), 1, 3).Draw(t, "from")

	got := make([][]events.Entry, len(from))
	var all sync.WaitGroup
	for i, f := range from {
		all.Go(func() {
			_ = l.Follow(context.Background(), uint64(f), func(es []events.Entry) error {
				got[i] = append(got[i], es...)
				if es[len(es)-1].Seq == uint64(total) {
					return context.Canceled
				}
				return nil
			})
		})
	}
	for w := range writers {
		all.Go(func() {
			n := uint64(0)
			for _, size := range calls[w] {
				var evs []events.Event
				for range size {
					n++
					evs = append(evs, ask(fmt.Sprintf("device/%d", w), n))
				}
				for range map[bool]int{false: 1, true: 2}[again] {
					if _, err := l.Append(context.Background(), evs...); err != nil {
						t.Error(err)
					}
				}
			}
		})
	}
	all.Wait()
	l = reopen()
	var want []events.Entry
	if err := l.Read(context.Background(), 1, 0, func(es []events.Entry) error {
		want = append(want, es...)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if len(want) != total || len(l.Holes()) != 0 {
		t.Fatalf("%d entries, want %d; holes %v", len(want), total, l.Holes())
	}
	for i, f := range from {
		if d := cmp.Diff(want[f-1:], got[i], sameEntry); d != "" {
			t.Fatalf("follower from %d (-read +followed):\n%s", f, d)
		}
	}
}

// TestEscape: every subject comes back, in printable ASCII without space, '"'
// and bare '%'. The worked value is the example of section 3.1.3.2 of the
// NATS Protocol Binding for CloudEvents 1.0.3 (draft).
func TestEscape(t *testing.T) {
	if got, want := escape("Euro € 😀"), "Euro%20%E2%82%AC%20%F0%9F%98%80"; got != want {
		t.Errorf("escape gives %q, want %q", got, want)
	}
	for _, bad := range []string{"%C0%A0", "%", "%zz"} { // the first is the standard's own example
		if got, err := unescape(bad); err == nil {
			t.Errorf("unescape %q gives %q, want an error", bad, got)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "s")
		e := escape(s)
		if slices.ContainsFunc([]byte(e), func(c byte) bool { return c <= ' ' || c > '~' || c == '"' }) {
			t.Fatalf("%q has a character that must be escaped", e)
		}
		if back, err := unescape(e); err != nil || back != s {
			t.Fatalf("%q came back as %q, %v", s, back, err)
		}
	})
}

// TestHeaders: the attributes are those of CloudEvents 1.0, with the prefix
// that the binding asks for, and the number sorts as text.
func TestHeaders(t *testing.T) {
	n := naming{"fenholt"}
	e := events.Event{Source: "device/w1", Number: 42, Time: 1_764_070_245_123_450, Subject: "a b", Data: events.TimeReached{}}
	m, err := n.prepare(&e)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for k, v := range n.headers(&e, m.typ) {
		got[k] = v[0]
	}
	want := map[string]string{ // time by hand: date -u -d @1764070245
		"ce-specversion": "1.0", "ce-id": "42", "ce-source": "wm/fenholt/device/w1", "ce-type": "witnessmark.time.reached.v1",
		"ce-time": "2025-11-25T11:30:45.123450Z", "ce-subject": "a%20b", "ce-sequence": "00000000000000000042",
		"ce-datacontenttype": "application/json",
	}
	diff(t, "headers", got, want)
	if m.subject != "wm.fenholt.ev.device.w1" {
		t.Errorf("subject %q", m.subject)
	}
}

// TestTailBytes: the tail is bounded by bytes too, and always keeps the
// newest entry.
func TestTailBytes(t *testing.T) {
	tl := newTail(0).limit(8, 100)
	f := tl.watch()
	for seq := uint64(1); seq <= 20; seq++ {
		tl.add([]events.Entry{{Seq: seq}}, []int{40})
	}
	if got, behind, _ := tl.take(f, 19, 10); behind || len(got) != 2 || got[0].Seq != 19 {
		t.Errorf("take 19: %v, behind %v", got, behind)
	}
	if _, behind, last := tl.take(f, 18, 10); !behind || last != 20 {
		t.Errorf("18 is said to be there, although only two entries fit")
	}
	tl.add([]events.Entry{{Seq: 21}}, []int{5000})
	if got, behind, _ := tl.take(f, 21, 10); behind || len(got) != 1 {
		t.Errorf("an entry above the bound is not kept: %v, behind %v", got, behind)
	}
}

// TestTailKeepsWhatIsWanted: what all followers have taken is dropped but for
// the newest few; what one of them still has to take stays, up to the bound.
func TestTailKeepsWhatIsWanted(t *testing.T) {
	tl := newTail(0).limit(50_000, 1<<30)
	seq := uint64(0)
	add := func(n int) {
		for range n {
			seq++
			tl.add([]events.Entry{{Seq: seq, Event: events.Event{Number: seq}}}, []int{1})
		}
	}
	held := func(want uint64) {
		t.Helper()
		if got := tl.last - tl.first + 1; got != want || tl.bytes != int(want) {
			t.Errorf("after %d entries %d (%d bytes) are held, want %d", seq, got, tl.bytes, want)
		}
	}
	add(10_000)
	held(findWithin) // nobody follows

	quick, slow := tl.watch(), tl.watch()
	next := seq + 1
	tl.take(quick, next, 1)
	tl.take(slow, next, 1) // nothing yet
	add(10_000)
	for ; quick.next <= seq; tl.take(quick, quick.next, followBatch) {
	}
	add(1)
	held(10_001) // all for the slow one
	for got := uint64(0); slow.next <= seq; {
		es, behind, _ := tl.take(slow, slow.next, followBatch)
		for _, e := range es {
			if got++; behind || e.Seq != next+got-1 || e.Number != e.Seq {
				t.Fatalf("entry %d of the slow follower is %d, number %d", got, e.Seq, e.Number)
			}
		}
	}
	tl.take(quick, quick.next, followBatch)
	add(1)
	held(findWithin)

	tl.take(slow, 1, 1) // behind: it reads from the stream up to here
	next = seq + 1
	tl.take(quick, quick.next, 1)
	add(5000)
	if es, behind, _ := tl.take(slow, next, 1); behind || len(es) != 1 {
		t.Errorf("what came while a follower read is not kept for it: %d, behind %v", len(es), behind)
	}
	add(44_000)
	held(49_000)
	add(2000)
	held(findWithin) // beyond the bound: all are behind and read from the stream
	tl.unwatch(slow)
	tl.unwatch(quick)
	add(1)
	held(findWithin)
}
