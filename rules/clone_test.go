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
