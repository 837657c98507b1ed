// Package settle finds the settled values in the samples of an indicator, both
// for ingest, which makes readings of them, and for the rules, which look into
// the samples of a guided measurement: there is one definition of settled. It
// is pure: the time comes with each sample.
//
// An indicator shows a value all the time. A reading is the value at which it
// came to rest. Here that is defined by noise, slope and time: over a whole
// window the samples stay within a band, and the straight line through them
// does not rise or fall faster than a limit. A stationary indicator gives one
// reading, not a stream of them: after a settled value the detector is
// disarmed until the value has left it by a set amount for a set time.
//
// The definition is our own choice; there is no standard for it.
package settle

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// Config says when a value counts as settled. All quantities in it must be of
// one dimension.
type Config struct {
	Window time.Duration  // how long it must stand still; required
	Band   quantity.Value // greatest minus least sample in the window, at most; see Counts
	Counts int            // the band is at least so many steps of the samples' resolution; 0: Band alone
	Slope  quantity.Value // rise or fall per second of the line through the window, at most; zero Value: no limit
	Rearm  quantity.Value // how far the value must leave the settled one before another can settle; required
	Away   time.Duration  // how long it must stay away for that; 0: one sample is enough
	// Rest: a plateau at most so far from zero is the indicator's rest
	// position. It gives no reading, but it re-arms. Zero Value: there is none.
	Rest    quantity.Value
	MaxGap  time.Duration // samples further apart do not belong together; 0: a third of Window
	Samples int           // least number of samples in the window; 0: 5
}

const (
	defaultSamples = 5
	mostSamples    = 1 << 14 // bounds memory; more in one window never settle
)

// Validate says what is wrong with c, and what to do.
func (c Config) Validate() error {
	dim := c.Rearm.Dimension()
	switch {
	case c.Window <= 0:
		return errors.New("check settle settings: window is not above zero; say how long the value must stand still, such as 600ms")
	case !c.Rearm.Finite() || c.Rearm.Base() <= 0:
		return errors.New("check settle settings: rearm is not above zero; say how far the value must move before the next reading, such as 0.02 mm")
	case c.Band.IsZero() && c.Counts <= 0:
		return errors.New("check settle settings: neither band nor counts is set; say how much noise is allowed, such as band 0.003 mm")
	case c.Counts < 0 || c.Away < 0 || c.MaxGap < 0 || c.Samples < 0 || c.Samples > mostSamples:
		return fmt.Errorf("check settle settings: counts, away, max_gap or samples is below zero, or samples above %d; leave it out for the default", mostSamples)
	}
	for _, q := range []struct {
		name string
		v    quantity.Value
	}{{"band", c.Band}, {"slope", c.Slope}, {"rest", c.Rest}} {
		if q.v.IsZero() {
			continue
		}
		if q.v.Dimension() != dim {
			return fmt.Errorf("check settle settings: %s is a %s and rearm a %s; give both in one kind of unit", q.name, q.v.Dimension(), dim)
		}
		if !q.v.Finite() || q.v.Base() < 0 {
			return fmt.Errorf("check settle settings: %s is below zero; give its size", q.name)
		}
	}
	if !c.Rest.IsZero() && c.Rest.Base() >= c.Rearm.Base() {
		return errors.New("check settle settings: rest is not below rearm; a reading just outside rest could never leave it")
	}
	return nil
}

// Sample is one value that an indicator showed.
type Sample struct {
	Value      quantity.Value
	Resolution quantity.Value // one step of the indicator; may be the zero Value
	At         events.Instant
	Tag        uint64 // whatever the caller finds the sample again by, such as its offset in the stream
}

// Settled is a value at which the indicator came to rest. Sample is the
// median of the window, one that the indicator really showed.
type Settled struct {
	Sample
	Spread quantity.Value // greatest minus least sample of the window
	From   events.Instant // first sample of the window
	To     events.Instant // last sample of the window; it settled then
	Count  int            // samples in the window
}

// Detector finds settled values in a row of samples. It is not safe for
// concurrent use.
type Detector struct {
	cfg    Config
	win    []Sample // the window and what is not yet cut off before it
	sorted []Sample // scratch
	last   quantity.Value
	held   bool           // disarmed: last was given and not left
	away   bool           // the value is away from last …
	awayAt events.Instant // … since then
}

// New returns a detector that is armed: the first plateau gives a reading.
func New(cfg Config) (*Detector, error) {
	if err := cfg.Validate(); err != nil {
		return nil, err
	}
	if cfg.Samples == 0 {
		cfg.Samples = defaultSamples
	}
	if cfg.MaxGap == 0 {
		cfg.MaxGap = cfg.Window / 3
	}
	return &Detector{cfg: cfg}, nil
}

// Resume tells the last settled value, as the journal knows it after a
// restart, so that an indicator that still stands there does not give it a
// second time.
func (d *Detector) Resume(last quantity.Value) {
	d.Break()
	d.last, d.held, d.away = last, last.Dimension() == d.cfg.Rearm.Dimension(), false
}

// Break says that samples are missing here, such as after a lost link or a
// sample that cannot be trusted: the window begins anew. Whether the detector
// is armed does not change.
func (d *Detector) Break() {
	d.win = d.win[:0]
	d.away = false
}

// Armed reports whether the next plateau gives a reading.
func (d *Detector) Armed() bool { return !d.held }

// Add takes the next sample and returns the settled value if the indicator
// has just come to rest. Samples of another dimension than the settings, or
// that are not finite, count as Break.
func (d *Detector) Add(s Sample) (Settled, bool) {
	if !s.Value.Finite() || s.Value.Dimension() != d.cfg.Rearm.Dimension() {
		d.Break()
		return Settled{}, false
	}
	d.append(s)
	d.rearm(s)
	if d.held && d.far(s) {
		return Settled{}, false // most samples of an indicator that stands still
	}
	got, ok := d.plateau()
	switch {
	case !ok:
		return Settled{}, false
	case d.resting(got):
		d.held, d.away = false, false
		return Settled{}, false
	case d.held:
		return Settled{}, false
	}
	d.last, d.held, d.away = got.Value, true, false
	return got, true
}

// append puts s into the window and cuts off what is too old to matter.
func (d *Detector) append(s Sample) {
	if n := len(d.win); n > 0 {
		gap := s.At.Sub(d.win[n-1].At)
		if gap < 0 || gap > d.cfg.MaxGap {
			d.Break()
		}
	}
	d.win = append(d.win, s)
	from := s.At.Add(-d.cfg.Window)
	cut := 0 // keep one sample at or before the window's beginning
	for cut+1 < len(d.win) && d.win[cut+1].At <= from {
		cut++
	}
	if over := len(d.win) - mostSamples; over > cut {
		cut = over
	}
	if cut > 0 {
		d.win = d.win[:copy(d.win, d.win[cut:])]
	}
}

// rearm notes how long the value has been away from the last settled one.
func (d *Detector) rearm(s Sample) {
	if !d.held {
		return
	}
	if math.Abs(s.Value.Base()-d.last.Base()) < d.cfg.Rearm.Base() {
		d.away = false
		return
	}
	if !d.away {
		d.away, d.awayAt = true, s.At
	}
	if s.At.Sub(d.awayAt) >= d.cfg.Away {
		d.held, d.away = false, false
	}
}

// far reports whether no plateau that ends with s can be the rest position:
// its samples lie within a band of each other.
func (d *Detector) far(s Sample) bool {
	return d.cfg.Rest.IsZero() || math.Abs(s.Value.Base()) > d.cfg.Rest.Base()+d.band(s)*(1+1e-9)
}

func (d *Detector) resting(got Settled) bool {
	return !d.cfg.Rest.IsZero() && math.Abs(got.Value.Base()) <= d.cfg.Rest.Base()
}

// plateau looks at the window; ok is false if the value moves in it.
func (d *Detector) plateau() (got Settled, ok bool) {
	n := len(d.win)
	first, last := d.win[0], d.win[n-1]
	if n < d.cfg.Samples || last.At.Sub(first.At) < d.cfg.Window {
		return Settled{}, false
	}
	least, most := math.Inf(1), math.Inf(-1)
	for _, s := range d.win {
		least, most = min(least, s.Value.Base()), max(most, s.Value.Base())
	}
	// A hair above the band, so that decimal steps which binary numbers
	// cannot hold do not fall outside: 0.153 − 0.150 is above 0.003.
	if most-least > d.band(last)*(1+1e-9) || !d.level() {
		return Settled{}, false
	}
	return Settled{
		Sample: d.median(), Spread: last.Value.WithBase(most - least),
		From: first.At, To: last.At, Count: n,
	}, true
}

// band is the greater of the configured one and that of the resolution.
func (d *Detector) band(s Sample) float64 {
	b := d.cfg.Band.Base()
	if s.Resolution.Finite() && s.Resolution.Dimension() == s.Value.Dimension() {
		b = max(b, float64(d.cfg.Counts)*s.Resolution.Base())
	}
	return b
}

// level reports whether the least-squares line through the window is flat
// enough. The formula is the usual one of regression of value on time.
func (d *Detector) level() bool {
	if d.cfg.Slope.IsZero() {
		return true
	}
	n := float64(len(d.win))
	var st, sv float64
	t0, v0 := d.win[0].At, d.win[0].Value.Base()
	for _, s := range d.win {
		st += s.At.Sub(t0).Seconds()
		sv += s.Value.Base() - v0
	}
	mt, mv := st/n, sv/n
	var stt, stv float64
	for _, s := range d.win {
		dt := s.At.Sub(t0).Seconds() - mt
		stt += float64(dt * dt)
		stv += float64(dt * (s.Value.Base() - v0 - mv)) // rounds alike on every machine
	}
	return math.Abs(stv) <= d.cfg.Slope.Base()*(1+1e-9)*stt
}

// median returns the middle sample of the window by value, the lower of two.
func (d *Detector) median() Sample {
	d.sorted = append(d.sorted[:0], d.win...)
	slices.SortStableFunc(d.sorted, func(a, b Sample) int { return cmp.Compare(a.Value.Base(), b.Value.Base()) })
	return d.sorted[(len(d.sorted)-1)/2]
}
