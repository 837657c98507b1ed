package arrivals

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/quantity"
)

// feed is a journal in memory to which batches arrive.
type feed struct {
	*journal.Memory
	batches []([]journal.Arrival)
	offset  journal.ClockOffset
	link    journal.BoxLink
}

var errFed = errors.New("all was given")

func (f *feed) Arrivals(_ context.Context, _ string, fn func([]journal.Arrival, uint64) error) error {
	for _, b := range f.batches {
		if err := fn(b, 0); err != nil {
			return err
		}
	}
	return errFed
}

func (f *feed) BoxLinks(context.Context) (map[string]journal.BoxLink, error) {
	return map[string]journal.BoxLink{"axle-box": f.link}, nil
}

func (f *feed) CompareClocks(context.Context, string) (journal.ClockOffset, error) {
	return f.offset, nil
}

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func newFeed(t *testing.T) (*feed, *Intake) {
	f := &feed{Memory: journal.NewMemory("fenholt")}
	t.Cleanup(func() { f.Close() })
	in := New(Config{Journal: f, Now: func() time.Time { return noon }, Shop: events.Shop{
		Boxes:   []events.Box{{ID: "axle-box", Key: "U"}},
		Devices: []events.Device{{ID: "k1", Tool: "k2", Bench: "axle", Box: "axle-box"}, {ID: "d1", Tool: "d3", Bench: "axle", Box: "axle-box"}, {ID: "s1", Tool: "s5", Bench: "gear"}},
	}})
	return f, in
}

func pull(device string, number uint64, at time.Time) journal.Arrival {
	tool := map[string]string{"k1": "k2", "d1": "d3", "s1": "s5"}[device]
	bench := map[string]string{"s1": "gear"}[device]
	if bench == "" {
		bench = "axle"
	}
	v := quantity.NewtonMetres(float64(number)).Value()
	return journal.Arrival{Type: "com.witnessmark.reading.taken.v2", Bytes: []byte("{}"), Event: events.Event{
		Source: events.DeviceSource(device), Number: number, Time: events.InstantOf(at), Subject: tool,
		Data: events.ReadingTaken{Device: device, Tool: tool, Bench: bench, Mode: events.ModePeak, Text: fmt.Sprint(number), Unit: "N.m", Value: v, ReceivedAtUs: events.InstantOf(at)},
	}}
}

// told runs the feed to its end and writes the journal down, one line an entry.
func (f *feed) told(t *testing.T, in *Intake) (lines []string) {
	t.Helper()
	if err := in.boxes[0].runOnce(f); !errors.Is(err, errFed) {
		t.Fatal(err)
	}
	err := f.Read(t.Context(), 1, 0, func(es []events.Entry) error {
		for _, e := range es {
			what, _ := e.Data.EventType()
			switch d := e.Data.(type) {
			case events.ArrivalsLate:
				what += fmt.Sprintf(" %s %d-%d", d.Source, d.From, d.To)
			case events.ArrivalRefused:
				what += fmt.Sprintf(" %s %s %d", d.Why, d.Source, d.Number)
			case events.ReadingTaken:
				what += " " + e.Time.Time().Format(time.TimeOnly)
			}
			lines = append(lines, fmt.Sprintf("%s %d %s", e.Source, e.Number, what))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if h := f.Holes(); len(h) > 0 {
		t.Errorf("holes: %v", h)
	}
	return lines
}

func (b *box) runOnce(f *feed) error {
	return f.Arrivals(context.Background(), b.id, func(batch []journal.Arrival, _ uint64) error { return b.take(context.Background(), batch) })
}

func TestTakes(t *testing.T) {
	ago := func(d time.Duration) time.Time { return noon.Add(-d) }
	foreign := func(a journal.Arrival, change func(*events.ReadingTaken)) journal.Arrival {
		r := a.Event.Data.(events.ReadingTaken)
		change(&r)
		a.Event.Data = r
		return a
	}
	decision := pull("k1", 1, noon)
	decision.Event.Data, decision.Type = events.Decided{Cause: 1, Rules: "1"}, "com.witnessmark.rules.decided.v1"
	broken := pull("k1", 2, noon)
	broken.Event.Data, broken.Err = nil, errors.New("no such type")
	for _, c := range []struct {
		name    string
		offset  time.Duration
		batches [][]journal.Arrival
		want    []string
	}{
		{"at once, in order, with the box's numbers", 0,
			[][]journal.Arrival{{pull("k1", 1, noon), pull("d1", 1, noon)}, {pull("k1", 2, noon)}},
			[]string{"device/k1 1 reading.taken 12:00:00", "device/d1 1 reading.taken 12:00:00", "device/k1 2 reading.taken 12:00:00"}},
		{"the box's clock is ahead: times by the shop's", 7 * time.Minute,
			[][]journal.Arrival{{pull("k1", 1, noon.Add(7*time.Minute))}},
			[]string{"device/k1 1 reading.taken 12:00:00"}},
		{"the box's clock is behind: not late for that", -time.Hour,
			[][]journal.Arrival{{pull("k1", 1, ago(time.Hour))}},
			[]string{"device/k1 1 reading.taken 12:00:00"}},
		{"late ones are announced, run by run", 0,
			[][]journal.Arrival{{pull("k1", 1, ago(time.Hour)), pull("k1", 2, ago(30*time.Minute)), pull("d1", 1, ago(time.Minute)), pull("k1", 3, noon)}},
			[]string{"box/axle-box 1 arrivals.late device/k1 1-2", "device/k1 1 reading.taken 11:00:00", "device/k1 2 reading.taken 11:30:00",
				"box/axle-box 2 arrivals.late device/d1 1-1", "device/d1 1 reading.taken 11:59:00", "device/k1 3 reading.taken 12:00:00"}},
		{"given again after a crash: once", 0,
			[][]journal.Arrival{{pull("k1", 1, noon), pull("k1", 2, noon)}, {pull("k1", 1, noon), pull("k1", 2, noon), pull("k1", 3, noon)}},
			[]string{"device/k1 1 reading.taken 12:00:00", "device/k1 2 reading.taken 12:00:00", "device/k1 3 reading.taken 12:00:00"}},
		{"a number that says something else is no repeat, and is kept", 0,
			[][]journal.Arrival{{pull("k1", 1, noon)}, {pull("k1", 1, ago(time.Second))}},
			[]string{"device/k1 1 reading.taken 12:00:00", "box/axle-box 1 arrival.refused number_taken device/k1 1"}},
		{"numbers that the box has lost", 0,
			[][]journal.Arrival{{pull("k1", 1, noon), pull("k1", 4, noon)}},
			[]string{"device/k1 1 reading.taken 12:00:00", "device/k1 2 arrival.missing", "device/k1 3 arrival.missing", "device/k1 4 reading.taken 12:00:00"}},
		{"a number far ahead", 0,
			[][]journal.Arrival{{pull("k1", 900_000, noon)}},
			[]string{"box/axle-box 1 arrival.refused number_jump device/k1 900000"}},
		{"another bench's device, a decision, another tool, another bench, a typed value, nonsense", 0,
			[][]journal.Arrival{{pull("s1", 1, noon), decision, broken,
				foreign(pull("k1", 3, noon), func(r *events.ReadingTaken) { r.Tool = "s5" }),
				foreign(pull("k1", 4, noon), func(r *events.ReadingTaken) { r.Bench = "gear" }),
				foreign(pull("k1", 5, noon), func(r *events.ReadingTaken) { r.Device = "s1" }),
				foreign(pull("k1", 6, noon), func(r *events.ReadingTaken) { r.Mode = events.ModeTyped }),
				pull("k1", 7, noon)}, {decision, broken}},
			[]string{"box/axle-box 1 arrival.refused foreign device/s1 1", "device/k1 1 arrival.refused foreign device/k1 1", "device/k1 2 arrival.refused unreadable device/k1 2",
				"device/k1 3 arrival.refused foreign device/k1 3", "device/k1 4 arrival.refused foreign device/k1 4", "device/k1 5 arrival.refused foreign device/k1 5",
				"device/k1 6 arrival.refused foreign device/k1 6", "device/k1 7 reading.taken 12:00:00"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, in := newFeed(t)
			f.offset.Ahead = c.offset
			f.batches = c.batches
			if d := cmp.Diff(c.want, f.told(t, in)); d != "" {
				t.Errorf("journal (-want +got):\n%s", d)
			}
		})
	}
}

// A link is told when it changes, and as up only once all has come; a clock when
// it has moved.
func TestTellsLinkAndClock(t *testing.T) {
	f, in := newFeed(t)
	look := func(link journal.BoxLink, ahead time.Duration) {
		t.Helper()
		f.link, f.offset = link, journal.ClockOffset{Ahead: ahead, RoundTrip: time.Millisecond}
		if err := in.look(t.Context(), "axle-box", link, true); err != nil {
			t.Fatal(err)
		}
	}
	up := journal.BoxLink{Up: true, Flowing: true, IP: "192.0.2.9"}
	look(journal.BoxLink{}, 0)
	look(journal.BoxLink{}, 0)
	look(journal.BoxLink{Up: true}, time.Second)
	look(journal.BoxLink{Up: true, Flowing: true, Waiting: 4}, time.Second)
	look(up, time.Second)
	look(up, 2*time.Second)
	look(up, 40*time.Second)
	look(journal.BoxLink{}, 0)
	var got []string
	err := f.Read(t.Context(), 1, 0, func(es []events.Entry) error {
		for _, e := range es {
			switch d := e.Data.(type) {
			case events.BoxLinkChanged:
				got = append(got, fmt.Sprintf("up %v", d.Up))
			case events.ClockCompared:
				got = append(got, fmt.Sprintf("ahead %v", time.Duration(d.AheadUs)*time.Microsecond))
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]string{"up false", "ahead 1s", "up true", "ahead 40s", "up false"}, got); d != "" {
		t.Errorf("told (-want +got):\n%s", d)
	}
	if st := in.Status(); len(st) != 1 || st[0].Link.Up || st[0].Ahead != 40*time.Second {
		t.Errorf("status %+v", st)
	}
}
