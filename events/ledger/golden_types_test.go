package ledger

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// TestEverythingHoldsEveryType holds the invented journal to the types that
// package events can read, so that a new type needs a row and a sample.
func TestEverythingHoldsEveryType(t *testing.T) {
	src, err := os.ReadFile("../codec.go")
	if err != nil {
		t.Fatal(err)
	}
	seen := typesIn(everything().entries)
	events, outcomes, ok := strings.Cut(string(src), "var outcomeForms")
	if !ok {
		t.Fatal("codec.go has no outcomeForms")
	}
	name := regexp.MustCompile(`(?m)^\t"([a-z_.]+)":\s+\{`)
	n := 0
	for _, m := range name.FindAllStringSubmatch(events, -1) {
		n++
		if !seen[m[1]] {
			t.Errorf("no event of type %s in the invented journal", m[1])
		}
	}
	for _, m := range name.FindAllStringSubmatch(outcomes, -1) {
		n++
		if !seen["outcome "+m[1]] {
			t.Errorf("no outcome of type %s in the invented journal", m[1])
		}
	}
	if n < 40 {
		t.Errorf("found %d types in codec.go, want at least 40", n)
	}
}
