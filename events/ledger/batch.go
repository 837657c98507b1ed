package ledger

import (
	"database/sql/driver"
	"fmt"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// batch is what is gathered while a batch is written: counts go into the file
// once a batch, not once an event.
type batch struct {
	put     func(s statement, args ...driver.Value) error
	totals  map[total]int64
	devices map[string]*tally
	tools   map[string]int64 // judgements, by tool
	rules   string           // version of the rules that decided last

	removing *writer // that the rows of removed captures are taken out with; nil: there are none
}

type total struct{ what, label string }

// tally is what a batch adds to a device.
type tally struct {
	readings, refused, repeated, gaps    int64
	lastReading, lastRefused, lastLinked uint64
}

func newBatch(w *writer) (*batch, error) {
	v, err := w.one("SELECT version FROM rules_versions ORDER BY seq DESC LIMIT 1")
	if err != nil {
		return nil, err
	}
	rules, _ := v.(string) // nothing yet: ""
	return &batch{put: w.put, removing: w, rules: rules, totals: map[total]int64{}, devices: map[string]*tally{}, tools: map[string]int64{}}, nil
}

func (b *batch) count(what, label string) { b.totals[total{what, label}]++ }

// device returns the tally of a device. A typed reading has none, and its
// counts go nowhere.
func (b *batch) device(id string) *tally {
	t := b.devices[id]
	if t == nil {
		t = new(tally)
		b.devices[id] = t
	}
	return t
}

func (b *batch) putTallies() error {
	for k, n := range b.totals {
		if err := b.put(addTotal, k.what, k.label, n); err != nil {
			return err
		}
	}
	for id, t := range b.devices {
		if id == "" {
			continue
		}
		err := b.put(addDevice, id, t.readings, t.refused, t.repeated, t.gaps,
			int64(t.lastReading), int64(t.lastRefused), int64(t.lastLinked))
		if err != nil {
			return err
		}
	}
	return nil
}

// outcomesPerDecision is how many outcomes one decision can have in the keys.
// A message of the journal's size cannot hold as many.
const outcomesPerDecision = 1 << 16

// outcomeID is the key of an outcome's row.
func outcomeID(seq uint64, index int) (int64, error) {
	if index >= outcomesPerDecision {
		return 0, fmt.Errorf("decision has more than %d outcomes", outcomesPerDecision)
	}
	return int64(seq*outcomesPerDecision) + int64(index), nil
}

// place gives back what outcomeID was made of.
func place(id int64) (seq uint64, index int) {
	return uint64(id) / outcomesPerDecision, int(id % outcomesPerDecision)
}

// dim returns a value's dimension as a column.
func dim(v quantity.Value) driver.Value { return int64(v.Dimension()) }

// base returns a value's magnitude as a column, NULL for none.
func base(v quantity.Value) driver.Value {
	if v.IsZero() {
		return nil
	}
	return v.Base()
}

// baseIn is base for a column that shares the row's dimension. A value of
// another dimension would be misread, and is left out.
func baseIn(d quantity.Dimension, v quantity.Value) driver.Value {
	if v.Dimension() != d {
		return nil
	}
	return base(v)
}

func bit(b bool) driver.Value {
	if b {
		return int64(1)
	}
	return int64(0)
}

func us(i events.Instant) driver.Value { return int64(i) }

// blob returns bytes as a column, NULL for none.
func blob(b []byte) driver.Value {
	if len(b) == 0 {
		return nil
	}
	return b
}
