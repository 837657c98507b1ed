package labelled

import (
	"bytes"
	"encoding/json"
	"testing"
)

func render(t *testing.T, s *Sample) string {
	t.Helper()
	var b bytes.Buffer
	if err := s.WriteStream(&b); err != nil {
		t.Fatal(err)
	}
	if err := s.WriteTruth(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestSameSeedSameBytes(t *testing.T) {
	for k := range 3 * len(Worlds()) {
		tier, w := Tiers()[k%3], Worlds()[k/3]
		for seed := range uint64(5) {
			a, err := NewShopIn(w, seed, tier).Job(3)
			if err != nil {
				t.Fatal(err)
			}
			b, err := NewShopIn(w, seed, tier).Job(3)
			if err != nil {
				t.Fatal(err)
			}
			if render(t, a) != render(t, b) {
				t.Errorf("%s, seed %d: two runs differ", tier, seed)
			}
		}
	}
}

// Each clean job ends with every fastener tight; each fault leaves what it
// says it leaves.
func TestTruthOfFaults(t *testing.T) {
	left := map[Fault]Condition{PlainMiss: Never, MaskedTwice: Never, MaskedLost: Never, MaskedCounted: Never, LeftEarly: Never,
		UnderTorque: Low, OverTorque: High, UnitSlip: High, Seized: Damaged, Stripping: Damaged}
	for _, f := range append(Faults(), "") {
		made := 0
		for seed := range uint64(60) {
			shop := NewShopIn(Worlds()[seed%uint64(len(Worlds()))], seed, Angle)
			var s *Sample
			var err error
			if f == "" {
				s, err = shop.Job(int(seed))
			} else if s, err = shop.Job(int(seed), f); err != nil {
				continue // no room in this shop
			}
			if err != nil {
				t.Fatal(err)
			}
			made++
			if len(s.Readings) != len(s.Truth.Readings) {
				t.Fatalf("%s, seed %d: %d readings, truth of %d", f, seed, len(s.Readings), len(s.Truth.Readings))
			}
			want, wrong := left[f], 0
			for _, x := range s.Truth.Fasteners {
				switch {
				case x.Condition == Tight:
				case x.Condition == want:
					wrong++
				default:
					t.Errorf("%s, seed %d: %s %s is %s", f, seed, x.Step, x.Fastener, x.Condition)
				}
			}
			if (want != "") != (wrong > 0) || want == Never && f != LeftEarly && wrong != 1 {
				t.Errorf("%s, seed %d: %d fasteners are %q", f, seed, wrong, want)
			}
			for _, ft := range s.Truth.Faults {
				if ft.Pull < 0 || ft.Knowable < 0 || ft.Knowable > len(s.Readings) || ft.Pull > len(s.Readings) {
					t.Errorf("%s, seed %d: pull %d, knowable %d of %d", f, seed, ft.Pull, ft.Knowable, len(s.Readings))
				}
			}
		}
		if made < 30 {
			t.Errorf("%s: only %d jobs could be made", f, made)
		}
	}
}

func TestStreamIsJSONLines(t *testing.T) {
	s, err := NewShop(4, Trace).Job(1, MaskedLost)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := s.WriteStream(&b); err != nil {
		t.Fatal(err)
	}
	lines := bytes.Split(bytes.TrimSpace(b.Bytes()), []byte("\n"))
	if len(lines) != len(s.Readings)+2 {
		t.Fatalf("%d lines for %d readings", len(lines), len(s.Readings))
	}
	for _, l := range lines {
		if !json.Valid(l) {
			t.Fatalf("not JSON: %s", l)
		}
	}
}
