package rules

import (
	"reflect"
	"testing"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

// A clone shares no map with the original, whichever maps the state has.
func TestCloneSharesNoMap(t *testing.T) {
	s := New()
	c := s.Clone()
	a, b := reflect.ValueOf(s).Elem(), reflect.ValueOf(c).Elem()
	for i := range a.NumField() {
		if a.Field(i).Kind() != reflect.Map {
			continue
		}
		if a.Field(i).Pointer() == b.Field(i).Pointer() && !a.Field(i).IsNil() {
			t.Errorf("the clone shares the map %s", a.Type().Field(i).Name)
		}
	}
	c.Jobs["j"] = &Job{ID: "j", Proc: &procedure.Procedure{}}
	c.Alerts["A1-0"] = &Alert{AlertRaised: events.AlertRaised{Alert: "A1-0"}}
	if len(s.Jobs) != 0 || len(s.Alerts) != 0 {
		t.Error("the original shows what was done to the clone")
	}
}

// A state and its clone go on by themselves, also at the same time: what either
// adds to a job, or works out of its pulls, is not the other's.
func TestCloneGoesOnByItself(t *testing.T) {
	f := newFurther(t, furtherTurns[1].turn)
	for range 20 {
		f.tell(f.next())
	}
	c := f.s.Clone()
	other := &further{runner: &runner{s: c, seq: f.seq + 1, at: f.at}, turn: f.turn, pull: f.pull}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for range 20 {
			other.tell(other.next())
		}
	}()
	for range 20 {
		f.tell(f.next())
	}
	<-done
	a, b := f.s.Jobs["J"].Facts, c.Jobs["J"].Facts
	for i := range 20 {
		if x, y := a[len(a)-20+i], b[len(b)-20+i]; x+1 != y {
			t.Fatalf("fact %d of the original is %d, of the clone %d", i, x, y)
		}
	}
}
