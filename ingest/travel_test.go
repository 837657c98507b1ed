package ingest

import (
	"crypto/sha256"
	"fmt"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/press"
)

// quarle builds a line by the notes on the P8; travel is as sent, with its unit.
func quarle(ms int, kn float64, travel string) []byte {
	body := fmt.Sprintf("%08d %+07.3fKN %s 0", ms, kn, travel)
	sum := byte(0)
	for i := range len(body) {
		sum += body[i]
	}
	return fmt.Appendf(nil, "%%%s %02X\r\n", body, sum)
}

// pressedIn sends one pressing of 121 samples: the ram goes 13.2 mm in from
// where the probe says 31 mm, and the part comes home 12.0 mm after contact.
// line makes the text of the travel of sample i, at x mm.
func pressedIn(t *testing.T, line func(i int, x float64) string) events.ReadingTaken {
	t.Helper()
	r, _ := pressedBook(t, line)
	return r
}

// pressedBook is pressedIn with all that came into the journal.
func pressedBook(t *testing.T, line func(i int, x float64) string) (events.ReadingTaken, []events.Entry) {
	t.Helper()
	var book []events.Entry
	var out events.ReadingTaken
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "quarle-p8", nil)
		w := <-r.lines
		ms := 0
		send := func(kn float64, travel string) {
			ms += 10
			if _, err := w.Write(quarle(ms, kn, travel)); err != nil {
				t.Error(err)
			}
			pass(10 * time.Millisecond)
		}
		for range 100 { // what came in the first moments may have waited in the line
			send(0, "+031.000MM")
		}
		for i := range 121 {
			way := 0.11 * float64(i)
			kn := 2.5 + 0.06*way
			if way > 12 {
				kn += 4 * (way - 12)
			}
			send(kn, line(i, 31+way))
		}
		for i := range 50 {
			send(0, fmt.Sprintf("%+08.3fMM", 44.2-0.2*float64(i))) // and home again
		}
		pass(3 * time.Second)
		synctest.Wait()
		got := of[events.ReadingTaken](b)
		if len(got) != 1 || got[0].Stroke == nil {
			t.Fatalf("%d readings, want 1 with its course: %+v; refused %+v", len(got), got, of[events.FrameRefused](b))
		}
		if n := len(of[events.FrameRefused](b)); n > 0 {
			t.Errorf("%d frames were refused", n)
		}
		out, book = got[0], b.entries
	})
	// 2.5 kN + 0.06 kN/mm × 13.2 mm + 4 kN/mm × 1.2 mm = 8.092 kN, whatever the
	// travel says.
	if out.Text != "8.092" || out.Value != quantity.Of(8.092, quantity.Kilonewton) || out.ToolStatus != "ok" {
		t.Errorf("reading %s %v, status %q, want 8.092 kN and ok", out.Text, out.Value, out.ToolStatus)
	}
	return out, book
}

// seat judges a reading by a window of the travel.
func seat(r events.ReadingTaken, lo, hi float64) (events.SeatFound, press.Seat) {
	mm := func(x float64) quantity.Value { return quantity.Of(x, quantity.Millimetre) }
	found, s, _ := press.Judge(r.Stroke, quantity.Of(1.5, quantity.Kilonewton), mm(lo), mm(hi))
	return found, s
}

func inMM(_ int, x float64) string { return fmt.Sprintf("%+08.3fMM", x) }

// From bytes to the seat: the travel counts from contact, and the bend is found
// where the pressing was made to have it.
func TestTravelToTheSeat(t *testing.T) {
	for name, line := range map[string]func(int, float64) string{
		"mm": inMM,
		"in, from the middle on": func(i int, x float64) string {
			if i > 60 {
				return fmt.Sprintf("%+08.3fIN", x/25.4)
			}
			return inMM(i, x)
		},
	} {
		r := pressedIn(t, line)
		s := r.Stroke
		if len(s.Travel) != len(s.Force) || len(s.Travel) != len(s.TimesUs) || s.TravelNote != "" {
			t.Fatalf("%s: %d travels, %d forces, note %q", name, len(s.Travel), len(s.Force), s.TravelNote)
		}
		for i := range 121 {
			if want := 0.11 * float64(i); math.Abs(s.Travel[i]-want) > 0.0128 { // 0.0005 in, rounded
				t.Errorf("%s: sample %d at %.3f mm, want %.3f", name, i, s.Travel[i], want)
			}
		}
		if found, got := seat(r, 11.5, 12.5); found != events.SeatReached || math.Abs(got.X-12) > 0.15 {
			t.Errorf("%s: %s at %.2f mm, want it at 12.00: %s", name, found, got.X, got.Why)
		}
		if found, got := seat(r, 12.5, 13.5); found != events.SeatNot || !strings.Contains(got.Why, "mm of travel") {
			t.Errorf("%s: %s (%s) in a window that it missed", name, found, got.Why)
		}
	}
}

const travelProcedure = `
procedure: BORE
revision: A
title: Bearing into its bore
unit: Test hub
steps:
  - id: bore
    title: Bearing
    kind: press
    cautions: The press throws parts. Close the guard.
    places: [{id: B1, title: first bearing}]
    limits: {low: 2 kN, high: 10 kN}
    seat: {jump: 1.5 kN, travel: {low: LOW, high: HIGH}}
    tools: [press_gauge]
`

// From the bytes on the line to what the rules decide, with all that lies
// between.
func TestTravelFromBytesToTheRules(t *testing.T) {
	noProbe := func(int, float64) string { return "========MM" }
	for _, c := range []struct {
		name, low, high string
		line            func(int, float64) string
		want            events.SeatFound
		alert           bool
	}{
		{"home", "11.5 mm", "12.5 mm", inMM, events.SeatReached, false},
		{"something lies below", "12.5 mm", "13.5 mm", inMM, events.SeatNot, true},
		{"no probe", "11.5 mm", "12.5 mm", noProbe, events.SeatUnknown, false},
	} {
		_, book := pressedBook(t, c.line)
		kn := func(v float64) quantity.Value { return quantity.Of(v, quantity.Kilonewton) }
		s, seq, at := rules.New(), uint64(0), book[0].Time
		var judged []events.PressJudged
		alerts := 0
		tell := func(d events.Data) {
			seq++
			out := rules.Decide(s, events.Entry{Seq: seq, Event: events.Event{Source: "test", Number: seq, Time: at, Data: d}})
			for _, o := range out {
				switch o := o.Data.(type) {
				case events.PressJudged:
					judged = append(judged, o)
				case events.AlertRaised:
					alerts++
					if o.Kind != events.AlertPressSeat {
						t.Errorf("%s: alert %s: %s", c.name, o.Kind, o.Text)
					}
				case events.RequestRefused:
					t.Fatalf("%s: refused: %+v", c.name, o)
				}
			}
			rules.Evolve(s, events.Decided{Cause: seq, CauseUs: at, Rules: rules.Version, Outcomes: out})
		}
		day := at.Time()
		tell(events.ShopDescribed{Hash: "1", Shop: events.Shop{
			ID: "fenholt", Name: "Fenholt Driveline", Torque: "N.m", Length: "mm", Benches: []events.Bench{{ID: "b1", Name: "Axle"}},
			People: []events.Person{{ID: "ines", Name: "Ines", Role: events.RoleTechnician}, {ID: "maren", Name: "Maren", Role: events.RoleLead}},
			Tools: []events.Tool{{ID: "t1", Name: "Quarle P8 no. 1", Kind: events.ToolPressGauge, Serial: "P8-1", Least: kn(0), Most: kn(40), URel: 0.01,
				Calibrated: day.AddDate(0, -3, 0).Format(time.DateOnly), Due: day.AddDate(0, 9, 0).Format(time.DateOnly)}},
			Devices: []events.Device{{ID: "d1", Tool: "t1", Bench: "b1", Profile: "quarle-p8"}},
		}})
		text := strings.NewReplacer("LOW", c.low, "HIGH", c.high).Replace(travelProcedure)
		tell(events.ProcedureOffered{Ask: events.Ask{By: "maren", AtUs: at}, Text: text, Hash: fmt.Sprintf("%x", sha256.Sum256([]byte(text)))})
		tell(events.JobAsked{Ask: events.Ask{By: "ines", Bench: "b1", AtUs: at}, Job: "J1", UnitSerial: "U-1", Procedure: "BORE"})
		for _, e := range book {
			at = e.Time
			tell(e.Data)
		}
		if len(judged) != 1 || judged[0].Seat != c.want || (alerts > 0) != c.alert {
			t.Errorf("%s: judged %+v with %d alerts, want the seat %s", c.name, judged, alerts, c.want)
			continue
		}
		if j := judged[0]; c.want == events.SeatReached && math.Abs(j.Travel.Base()-12) > 0.15 || c.want != events.SeatReached && !j.Travel.IsZero() {
			t.Errorf("%s: travel %v, want 12 mm where it is home, else none", c.name, j.Travel)
		}
	}
}

// A few samples without travel are left out, and it is said.
func TestTravelWithGaps(t *testing.T) {
	s := pressedIn(t, func(i int, x float64) string {
		switch i {
		case 0, 40:
			return "========MM"
		case 50:
			return "+412.000MM"
		}
		return inMM(i, x)
	})
	if n := len(s.Stroke.Travel); n == 0 || n != len(s.Stroke.Force) || !strings.HasPrefix(s.Stroke.TravelNote, "3 of ") || s.Stroke.TimesUs[0] != 0 || s.Stroke.Travel[0] != 0 {
		t.Errorf("%d travels, note %q", n, s.Stroke.TravelNote)
	}
	if found, got := seat(s, 11.3, 12.5); found != events.SeatReached {
		t.Errorf("%s: %s", found, got.Why)
	}
}

// Travel that cannot be relied on is no travel: the force and its course stand,
// the reading says why, and the seat is unknown where the travel is asked for.
func TestTravelThatCannotBeUsed(t *testing.T) {
	for _, c := range []struct {
		name string
		line func(i int, x float64) string
		want string
	}{
		{"no probe", func(int, float64) string { return "========MM" }, "no travel"},
		{"another unit", func(_ int, x float64) string { return fmt.Sprintf("%+08.3fCM", x/10) }, `unit "CM"`},
		{"dirt", func(int, float64) string { return "+0?MM" }, "no number"},
		{"out of range", func(i int, x float64) string { return inMM(i, x+200) }, "beyond what the gauge can send"},
		{"set to zero meanwhile", func(i int, x float64) string {
			if i >= 60 {
				x -= 37
			}
			return inMM(i, max(x, -1.9))
		}, "ran back by"},
		{"counts the other way", func(i int, x float64) string { return inMM(i, 100-x) }, "ran back by"},
		{"a spike", func(i int, x float64) string {
			if i == 60 {
				x += 50
			}
			return inMM(i, x)
		}, "ran back by 49."},
	} {
		r := pressedIn(t, c.line)
		if len(r.Stroke.Travel) > 0 || len(r.Stroke.Force) < 121 || !strings.Contains(r.Stroke.TravelNote, c.want) {
			t.Errorf("%s: %d travels, %d forces, note %q, want %q in it", c.name, len(r.Stroke.Travel), len(r.Stroke.Force), r.Stroke.TravelNote, c.want)
		}
		if found, got := seat(r, 11.5, 12.5); found != events.SeatUnknown || !strings.Contains(got.Why, c.want) {
			t.Errorf("%s: seat %s: %q", c.name, found, got.Why)
		}
	}
}

// The play of the probe's holder is no running back.
func TestTravelWithPlay(t *testing.T) {
	r := pressedIn(t, func(i int, x float64) string { return inMM(i, x-0.15*float64(i%2)) }) // falls by 0.04 mm, the profile allows 0.1 mm
	if len(r.Stroke.Travel) == 0 || r.Stroke.TravelNote != "" {
		t.Errorf("note %q", r.Stroke.TravelNote)
	}
}
