package labelled

import (
	"bytes"
	"flag"
	"io"
	"os"
	"path/filepath"
	"testing"
)

var update = flag.Bool("update", false, "write the kept streams anew")

// kept are the labelled streams in testdata/matching: small jobs of each tier
// with the main faults.
var kept = []struct {
	name   string
	tier   Tier
	seed   uint64
	job    int
	faults []Fault
}{
	{"torque-clean", Torque, 157, 1, nil},
	{"torque-plain-miss", Torque, 157, 2, []Fault{PlainMiss}},
	{"torque-masked-lost", Torque, 157, 3, []Fault{MaskedLost}},
	{"torque-under", Torque, 157, 4, []Fault{UnderTorque}},
	{"torque-lost-reading", Torque, 88, 5, []Fault{LostReading}},
	{"angle-clean", Angle, 88, 1, nil},
	{"angle-masked-lost", Angle, 88, 2, []Fault{MaskedLost}},
	{"angle-masked-twice", Angle, 88, 3, []Fault{MaskedTwice}},
	{"angle-unit-slip", Angle, 88, 4, []Fault{UnitSlip}},
	{"angle-seized-elsewhere", Angle, 88, 5, []Fault{Seized, Elsewhere}},
	{"angle-wrong-step", Angle, 88, 6, []Fault{WrongStep}},
	{"trace-clean", Trace, 88, 1, nil},
	{"trace-masked-counted", Trace, 88, 2, []Fault{MaskedCounted}},
	{"trace-stripping", Trace, 88, 3, []Fault{Stripping}},
}

// The kept streams are what the generator makes.
func TestKeptStreams(t *testing.T) {
	dir := filepath.Join("..", "..", "testdata", "matching")
	for _, k := range kept {
		s, err := NewShop(k.seed, k.tier).Job(k.job, k.faults...)
		if err != nil {
			t.Errorf("%s: %v", k.name, err)
			continue
		}
		for suffix, write := range map[string]func(io.Writer) error{
			"yaml": func(w io.Writer) error { _, err := w.Write(s.Procedure); return err }, "jsonl": s.WriteStream, "truth.json": s.WriteTruth} {
			var b bytes.Buffer
			if err := write(&b); err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(dir, k.name+"."+suffix)
			if *update {
				if err := os.MkdirAll(dir, 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			got, err := os.ReadFile(path)
			if err != nil {
				t.Errorf("%v; write it with -update", err)
				continue
			}
			if !bytes.Equal(got, b.Bytes()) {
				t.Errorf("%s is not what the generator makes; look at the change, then write it with -update", path)
			}
		}
	}
}

func TestShapesAreVaried(t *testing.T) {
	hard, soft, gasketed, classes, passes := 0, 0, 0, map[string]int{}, map[int]int{}
	for seed := range uint64(200) {
		s := NewShop(seed, Trace)
		for _, st := range s.steps {
			if st.n < 4 || st.n > 24 {
				t.Errorf("seed %d: %d fasteners", seed, st.n)
			}
			if st.joint.turn <= 27 {
				hard++
			}
			if st.joint.turn >= 240 {
				soft++
			}
			if st.joint.gasket > 0 {
				gasketed++
			}
			classes[st.class]++
			passes[len(st.passes)]++
		}
	}
	if hard < 20 || soft < 10 || gasketed < 10 || len(classes) != 3 || len(passes) != 3 {
		t.Errorf("%d hard, %d soft, %d gasketed, classes %v, passes %v", hard, soft, gasketed, classes, passes)
	}
}
