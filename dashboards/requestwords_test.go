package dashboards

import (
	"strings"
	"testing"

	"witnessmark/dashboards/access"
	"witnessmark/dashboards/record"
)

// A record names a refused request in words, never by its written name.
func TestEveryRequestHasWords(t *testing.T) {
	n := 0
	for key := range access.Table {
		name, ok := strings.CutPrefix(key, access.Ask)
		if !ok {
			continue
		}
		n++
		if w := record.RequestInWords(name); w == name || strings.ContainsAny(w, "_.") {
			t.Errorf("%s has no words: %q", name, w)
		}
	}
	if n == 0 {
		t.Fatal("no request in the table")
	}
}
