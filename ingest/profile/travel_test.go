package profile

import (
	"strings"
	"testing"

	"witnessmark/events/quantity"
	"witnessmark/ingest/profiles"
)

// A probe whose figure falls as the ram goes in gives a travel that grows, and
// its limits hold for the figure that it sends.
func TestTravelCountsDown(t *testing.T) {
	text, err := profiles.Files.ReadFile("quarle-p8.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := Load("x.yaml", []byte(strings.Replace(string(text), "counts: up ", "counts: down ", 1)))
	if err != nil {
		t.Fatal(err)
	}
	frames := p.NewDecoder().Push([]byte("%00012340 +05.210KN +012.345MM 0 26\r\n"), 1)
	if len(frames) != 1 || frames[0].Reading == nil || frames[0].Reading.NoTravel != "" || frames[0].Reading.Travel != quantity.Millimetres(-12.345).Value() {
		t.Errorf("frames %+v, want one with a travel of -12.345 mm", frames)
	}
	if s := p.Stroke(); s == nil || !s.Travel || s.Back != quantity.Millimetres(0.1).Value() {
		t.Errorf("cuts by %+v, want travel that may run back by 0.1 mm", s)
	}
}
