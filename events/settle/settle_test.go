package settle

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// All samples here are synthetic: no record of a real indicator was at hand.

func mm(v float64) quantity.Value { return quantity.Millimetres(v).Value() }

// cfg is what a dial indicator of 0.001 mm is shipped with.
func cfg() Config {
	return Config{
		Window: 600 * time.Millisecond, Band: mm(0.003), Counts: 3, Slope: mm(0.004),
		Rearm: mm(0.02), Away: 150 * time.Millisecond, Rest: mm(0.005), MaxGap: 250 * time.Millisecond,
	}
}

// hand moves an indicator and feeds its samples to a detector.
type hand struct {
	d    *Detector
	at   events.Instant
	tag  uint64
	rng  *rand.Rand
	got  []float64 // settled values, mm
	last Settled
}

func newHand(t *testing.T, c Config) *hand {
	t.Helper()
	d, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	return &hand{d: d, rng: rand.New(rand.NewPCG(7, 8))}
}

const every = 50 * time.Millisecond

// show feeds one sample, rounded to 0.001 mm as the indicator does.
func (h *hand) show(v float64) {
	h.at = h.at.Add(every)
	h.tag++
	got, ok := h.d.Add(Sample{mm(math.Round(v*1000) / 1000), mm(0.001), h.at, h.tag})
	if ok {
		l, _ := got.Value.Length()
		h.got, h.last = append(h.got, l.Millimetres()), got
	}
}

// hold shows v for a time, with noise of the given standard deviation.
func (h *hand) hold(v, noise float64, d time.Duration) {
	for range int(d / every) {
		h.show(v + noise*h.rng.NormFloat64())
	}
}

// move goes from a to b at mm per second.
func (h *hand) move(a, b, speed float64) {
	step := speed * every.Seconds()
	for n := 1; float64(n)*step < math.Abs(b-a); n++ {
		h.show(a + math.Copysign(float64(n)*step, b-a))
	}
}

func (h *hand) want(t *testing.T, want ...float64) {
	t.Helper()
	if len(h.got) != len(want) {
		t.Fatalf("settled at %v, want %v", h.got, want)
	}
	for i := range want {
		if math.Abs(h.got[i]-want[i]) > 0.0015 {
			t.Errorf("settled at %v, want %v", h.got, want)
		}
	}
}

func TestPlateauGivesOneReading(t *testing.T) {
	h := newHand(t, cfg())
	h.hold(0.150, 0.0003, time.Minute)
	h.want(t, 0.150)
	if h.last.Count < 12 || h.last.To.Sub(h.last.From) < 600*time.Millisecond || h.last.Spread.Base() > 0.0031 {
		t.Errorf("window %+v", h.last)
	}
	if h.last.Tag == 0 || h.last.At < h.last.From || h.last.At > h.last.To {
		t.Errorf("the settled value is not one of the window: %+v", h.last)
	}
}

func TestRestBetweenMeasurements(t *testing.T) {
	h := newHand(t, cfg())
	h.hold(0, 0.0003, 2*time.Second) // at rest: no reading
	for _, v := range []float64{0.150, 0.150, 0.082} {
		h.move(0, v, 0.5)
		h.hold(v, 0.0003, 1500*time.Millisecond)
		h.move(v, 0, 0.5)
		h.hold(0, 0.0003, time.Second)
	}
	h.want(t, 0.150, 0.150, 0.082)
}

func TestNextPlateauWithoutRest(t *testing.T) {
	h := newHand(t, cfg())
	h.hold(0.150, 0, time.Second)
	h.move(0.150, 0.240, 0.2)
	h.hold(0.240, 0, time.Second)
	h.hold(0.250, 0, 5*time.Second) // nearer than rearm: the same reading
	h.want(t, 0.150, 0.240)
}

func TestNoise(t *testing.T) {
	h := newHand(t, cfg())
	h.hold(0.150, 0.01, 20*time.Second) // ten steps: it never stands still
	h.want(t)
}

func TestDriftDoesNotSettle(t *testing.T) {
	for _, speed := range []float64{0.005, 0.006, 0.01, 0.05, 1} { // mm/s, above the limit of 0.004
		h := newHand(t, cfg())
		h.move(0.1, 0.1+20*speed, speed)
		if len(h.got) > 0 {
			t.Errorf("drift of %v mm/s settled at %v", speed, h.got)
		}
	}
}

func TestCreepAfterSettling(t *testing.T) {
	h := newHand(t, cfg())
	h.hold(0.150, 0, time.Second)
	h.move(0.150, 0.165, 0.001) // stays within rearm
	h.want(t, 0.150)
}

func TestSpikes(t *testing.T) {
	h := newHand(t, cfg())
	h.hold(0.150, 0, 400*time.Millisecond)
	h.show(0.9) // a knock before it settles: the window begins anew
	h.hold(0.150, 0, 400*time.Millisecond)
	h.want(t)
	h.hold(0.150, 0, time.Second)
	h.want(t, 0.150)
	for range 5 { // knocks afterwards, shorter than away: no second reading
		h.show(0.9)
		h.hold(0.150, 0, time.Second)
	}
	h.want(t, 0.150)
}

func TestGapBeginsAnew(t *testing.T) {
	h := newHand(t, cfg())
	h.hold(0.150, 0, 550*time.Millisecond)
	h.at = h.at.Add(time.Second) // link lost: what happened meanwhile is not known
	h.hold(0.150, 0, 500*time.Millisecond)
	h.want(t)
	h.hold(0.150, 0, 200*time.Millisecond)
	h.want(t, 0.150)
	h.at = h.at.Add(time.Hour) // lost again, and back on the same plateau: the same reading
	h.hold(0.150, 0, 2*time.Second)
	h.want(t, 0.150)
}

func TestClockBack(t *testing.T) {
	h := newHand(t, cfg())
	h.hold(0.150, 0, 500*time.Millisecond)
	h.at = h.at.Add(-time.Hour)
	h.hold(0.150, 0, 500*time.Millisecond)
	h.want(t)
	h.hold(0.150, 0, 300*time.Millisecond)
	h.want(t, 0.150)
}

func TestRestart(t *testing.T) {
	h := newHand(t, cfg())
	h.d.Resume(mm(0.150))
	if h.d.Armed() {
		t.Error("armed after Resume")
	}
	h.hold(0.151, 0, 2*time.Second) // still there: told before the restart
	h.want(t)
	h.hold(0.200, 0, 2*time.Second)
	h.want(t, 0.200)

	h = newHand(t, cfg())
	h.d.Resume(quantity.Value{}) // nothing is known: as new
	h.hold(0.150, 0, time.Second)
	h.want(t, 0.150)
}

func TestBreakKeepsArming(t *testing.T) {
	h := newHand(t, cfg())
	h.hold(0.150, 0, time.Second)
	h.d.Break()
	h.d.Add(Sample{Value: quantity.NewtonMetres(1).Value(), At: h.at}) // not a length: as Break
	h.d.Add(Sample{Value: mm(math.NaN()), At: h.at})
	h.hold(0.150, 0, time.Second)
	h.want(t, 0.150)
}

// TestResolutionWidensBand: an inch indicator steps by 0.00005 in, 0.00127 mm;
// three of its steps are more than the band of 0.003 mm.
func TestResolutionWidensBand(t *testing.T) {
	for _, c := range []struct {
		counts int
		want   bool
	}{{3, true}, {2, false}} {
		k := cfg()
		k.Counts, k.Slope = c.counts, quantity.Value{}
		d, err := New(k)
		if err != nil {
			t.Fatal(err)
		}
		got := false
		for i := range 40 {
			v := quantity.Inches(0.006 + 0.00005*float64([]int{0, 3}[i%2])).Value()
			_, ok := d.Add(Sample{v, quantity.Inches(0.00005).Value(), events.Instant(i) * 50_000, uint64(i)})
			got = got || ok
		}
		if got != c.want {
			t.Errorf("counts %d: settled %v, want %v", c.counts, got, c.want)
		}
	}
}

// TestFlood: samples that come much too fast keep memory bounded.
func TestFlood(t *testing.T) {
	d, err := New(cfg())
	if err != nil {
		t.Fatal(err)
	}
	for i := range mostSamples + 100 {
		d.append(Sample{Value: mm(0.15), At: events.Instant(i / 1000)})
	}
	if len(d.win) > mostSamples {
		t.Errorf("%d samples kept", len(d.win))
	}
}

func TestValidate(t *testing.T) {
	for want, change := range map[string]func(*Config){
		"window is not above zero":       func(c *Config) { c.Window = 0 },
		"rearm is not above zero":        func(c *Config) { c.Rearm = quantity.Value{} },
		"neither band nor counts":        func(c *Config) { c.Band, c.Counts = quantity.Value{}, 0 },
		"counts, away, max_gap":          func(c *Config) { c.Counts = -1 },
		"slope is a torque":              func(c *Config) { c.Slope = quantity.NewtonMetres(1).Value() },
		"band is below zero":             func(c *Config) { c.Band = mm(-1) },
		"slope is below zero":            func(c *Config) { c.Slope = mm(math.NaN()) },
		"rest is not below rearm":        func(c *Config) { c.Rest = mm(0.02) },
		"check settle settings: rearm i": func(c *Config) { c.Rearm = mm(math.Inf(1)) },
	} {
		c := cfg()
		change(&c)
		if _, err := New(c); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %q", err, want)
		}
	}
}

func BenchmarkAdd(b *testing.B) {
	d, err := New(cfg())
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		d.Add(Sample{mm(0.15), mm(0.001), events.Instant(i) * 20_000, 0})
	}
}
