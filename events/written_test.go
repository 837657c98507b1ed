package events

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/go-cmp/cmp"

	"witnessmark/events/quantity"
)

var update = flag.Bool("update", false, "write samples that are missing; never changes one that is there")

// filler sets every field to a value of its own that is not zero, so that a
// field that a codec forgets shows, also one that is added later.
type filler struct{ n int64 }

func (f *filler) fill(v reflect.Value) {
	f.n++
	switch v.Type() {
	case reflect.TypeFor[quantity.Value]():
		units := []quantity.Unit{quantity.NewtonMetre, quantity.Degree, quantity.Millimetre, quantity.Newton}
		v.Set(reflect.ValueOf(quantity.Of(float64(f.n)+0.25, units[f.n%4])))
		return
	case reflect.TypeFor[Outcome]():
		panic("outcomes are filled by allOutcomes")
	}
	switch v.Kind() {
	case reflect.String:
		v.SetString(fmt.Sprintf("s%d <\"é\">", f.n))
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Int, reflect.Int64:
		v.SetInt(f.n)
	case reflect.Uint8:
		v.SetUint(uint64(f.n % 256))
	case reflect.Uint64:
		v.SetUint(1<<63 + uint64(f.n)) // more than a float64 holds
	case reflect.Float64:
		v.SetFloat(float64(f.n) + 0.125)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		f.fill(v.Elem())
	case reflect.Slice:
		if v.Type() == reflect.TypeFor[[]Outcome]() {
			v.Set(reflect.ValueOf(f.allOutcomes()))
			return
		}
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		f.fill(v.Index(0))
		f.fill(v.Index(1))
	case reflect.Struct:
		for i := range v.NumField() {
			f.fill(v.Field(i))
		}
	default:
		panic("no way to fill a " + v.Type().String())
	}
}

func (f *filler) allOutcomes() []Outcome {
	var all []Outcome
	for _, name := range slices.Sorted(maps.Keys(outcomeForms)) {
		all = append(all, Outcome{f.outcome(name)})
	}
	return all
}

// event returns a filled event of today's form.
func (f *filler) event(name string) Data {
	forms := dataForms[name]
	zero, err := forms[len(forms)-1]([]byte("{}"))
	if err != nil {
		panic(err)
	}
	v := reflect.New(reflect.TypeOf(zero)).Elem()
	f.fill(v)
	return v.Interface().(Data)
}

func decoderOf(b []byte) *jsontext.Decoder { return jsontext.NewDecoder(bytes.NewReader(b), readAs) }

// outcome returns a filled outcome of today's form.
func (f *filler) outcome(name string) OutcomeData {
	forms := outcomeForms[name]
	zero, err := forms[len(forms)-1](decoderOf([]byte("{}")))
	if err != nil {
		panic(err)
	}
	v := reflect.New(reflect.TypeOf(zero)).Elem()
	f.fill(v)
	return v.Interface().(OutcomeData)
}

var sameValues = cmp.AllowUnexported(quantity.Value{})

func TestEveryEventComesBackWhole(t *testing.T) {
	for name, forms := range dataForms {
		want := (&filler{}).event(name)
		if n, v := want.EventType(); n != name || v != len(forms) {
			t.Errorf("%s holds a %T, which is %s version %d of %d", name, want, n, v, len(forms))
		}
		typ, b, err := Encode(want)
		if err != nil {
			t.Fatal(err)
		}
		got, err := Decode(typ, b)
		if err != nil {
			t.Errorf("%s: %v", typ, err)
		}
		if d := cmp.Diff(want, got, sameValues); d != "" {
			t.Errorf("%s does not come back (-want +got):\n%s", typ, d)
		}
	}
}

func TestEveryOutcomeComesBackWhole(t *testing.T) {
	for name, forms := range outcomeForms {
		want := Outcome{(&filler{}).outcome(name)}
		if n, v := want.Data.OutcomeType(); n != name || v != len(forms) {
			t.Errorf("%s holds a %T, which is %s version %d of %d", name, want.Data, n, v, len(forms))
		}
		b, err := json.Marshal(want)
		if err != nil {
			t.Fatal(err)
		}
		var got Outcome
		if err := json.Unmarshal(b, &got); err != nil {
			t.Errorf("%s: %v", b, err)
		}
		if d := cmp.Diff(want, got, sameValues); d != "" {
			t.Errorf("%s does not come back (-want +got):\n%s", name, d)
		}
	}
	if _, err := json.Marshal(Outcome{}); err == nil {
		t.Error("an empty outcome was written")
	}
}

// Every written type and version has a kept sample that is still read, and
// nothing that is written in it is lost. A sample is never changed: it stands
// for what is in journals.
func TestSamplesStayReadable(t *testing.T) {
	for name, forms := range dataForms {
		for i := range forms {
			sample := keep(t, fmt.Sprintf("%s.v%d", name, i+1), i+1 == len(forms), func() any { return (&filler{}).event(name) })
			d, err := Decode(fmt.Sprintf("%s%s.v%d", TypePrefix, name, i+1), sample)
			if err != nil {
				t.Errorf("sample %s version %d: %v", name, i+1, err)
			} else if i+1 == len(forms) {
				lost(t, name, sample, d)
			}
		}
	}
	for name, forms := range outcomeForms {
		for i, form := range forms {
			sample := keep(t, fmt.Sprintf("outcome.%s.v%d", name, i+1), i+1 == len(forms), func() any { return (&filler{}).outcome(name) })
			d, err := form(decoderOf(sample))
			if err != nil {
				t.Errorf("sample of outcome %s version %d: %v", name, i+1, err)
			} else if i+1 == len(forms) {
				lost(t, name, sample, d)
			}
		}
	}
}

// keep returns a sample, and writes it first if it is missing, asked for and
// of today's form.
func keep(t *testing.T, name string, today bool, make func() any) []byte {
	t.Helper()
	path := filepath.Join("testdata", "samples", name+".json")
	b, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) && *update && today {
		if b, err = json.MarshalIndent(make(), "", "  "); err == nil {
			err = os.WriteFile(path, append(b, '\n'), 0o644)
		}
	}
	if err != nil {
		t.Fatalf("%v; a new type or version needs a sample: go test ./events -update", err)
	}
	return b
}

// lost says which members of a sample are not written again.
func lost(t *testing.T, name string, sample []byte, d any) {
	t.Helper()
	again, err := json.Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	if where := missing(tree(t, sample), tree(t, again), name); where != "" {
		t.Errorf("sample %s: %s is lost when it is read; a field was renamed or removed: make a new version", name, where)
	}
}

func tree(t *testing.T, b []byte) any {
	t.Helper()
	var x any
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.UseNumber()
	if err := dec.Decode(&x); err != nil {
		t.Fatal(err)
	}
	return x
}

// missing returns where a is not within b, "" if it is.
func missing(a, b any, at string) string {
	switch a := a.(type) {
	case map[string]any:
		b, ok := b.(map[string]any)
		if !ok {
			return at
		}
		for k, x := range a {
			if where := missing(x, b[k], at+"."+k); where != "" {
				return where
			}
		}
		return ""
	case []any:
		b, ok := b.([]any)
		if !ok || len(a) != len(b) {
			return at
		}
		for i := range a {
			if where := missing(a[i], b[i], fmt.Sprintf("%s[%d]", at, i)); where != "" {
				return where
			}
		}
		return ""
	}
	if a != b {
		return at
	}
	return ""
}

// The first form of a reading knew torque only. The sample is as it was
// written then; the wanted form is by hand.
func TestReadingOfVersion1(t *testing.T) {
	b, err := os.ReadFile("testdata/samples/reading.taken.v1.json")
	if err != nil {
		t.Fatal(err)
	}
	got, err := Decode("witnessmark.reading.taken.v1", b)
	if err != nil {
		t.Fatal(err)
	}
	want := ReadingTaken{
		Device: "k2-07", Tool: "k2-07", Bench: "axle", Mode: ModePeak, Text: "26.00", Unit: "lbf.ft",
		Value: quantity.NewtonMetres(35.25126665661641).Value(), ReceivedAtUs: 1764064800000000,
		Bytes: []byte("#0042;P;+026,00;FTLB;A0155;OK*5A\r\n"),
	}
	if d := cmp.Diff(want, got, sameValues); d != "" {
		t.Error(d)
	}
	if typ, _, err := Encode(got); err != nil || typ != "witnessmark.reading.taken.v2" {
		t.Errorf("it is written again as %s, %v", typ, err)
	}
}

func TestDecodeTellsNewerFromBroken(t *testing.T) {
	for _, c := range []struct {
		name, typ, text string
		newer           bool
	}{
		{"unknown type", "witnessmark.job.painted.v1", `{}`, true},
		{"unknown version", "witnessmark.job.asked.v9", `{}`, true},
		{"unknown outcome", "witnessmark.rules.decided.v1", `{"outcomes":[{"job.painted.v1":{}}]}`, true},
		{"unknown version of an outcome", "witnessmark.rules.decided.v1", `{"outcomes":[{"job.opened.v7":{}}]}`, true},
		{"broken JSON", "witnessmark.job.asked.v1", `{"job":`, false},
		{"nothing", "witnessmark.job.asked.v1", ``, false},
		{"null", "witnessmark.job.asked.v1", `null`, false},
		{"no object", "witnessmark.job.asked.v1", `[]`, false},
		{"null of an old version", "witnessmark.reading.taken.v1", `null`, false},
		{"wrong kind of member", "witnessmark.job.asked.v1", `{"job":5}`, false},
		{"two things", "witnessmark.job.asked.v1", `{}{}`, false},
		{"broken outcome", "witnessmark.rules.decided.v1", `{"outcomes":[{"job.opened.v1":5}]}`, false},
		{"broken quantity", "witnessmark.reading.taken.v2", `{"value":{"mass_kg":1}}`, false},
		{"foreign type", "other.job.asked.v1", `{}`, false},
		{"no version", "witnessmark.job.asked", `{}`, false},
		{"version nought", "witnessmark.job.asked.v0", `{}`, false},
		{"no type", "", `{}`, false},
	} {
		d, err := Decode(c.typ, []byte(c.text))
		if err == nil || errors.Is(err, ErrNewer) != c.newer {
			t.Errorf("%s: %v, %v; newer must be %t", c.name, d, err, c.newer)
		}
	}
}

func TestEncodeRefusesWhatJSONCannotHold(t *testing.T) {
	nan := quantity.NewtonMetres(0).Value()
	nan = nan.WithBase(nan.Base() / nan.Base())
	if _, _, err := Encode(ReadingTaken{Value: nan}); err == nil {
		t.Error("a reading that is no number was written")
	}
	if _, _, err := Encode(Decided{Outcomes: []Outcome{{}}}); err == nil {
		t.Error("an empty outcome was written")
	}
}

func TestInstant(t *testing.T) {
	at := time.Date(2026, 1, 5, 8, 0, 0, 123456789, time.FixedZone("here", 3600))
	i := InstantOf(at)
	if got, want := i.Time(), at.UTC().Truncate(time.Microsecond); got != want {
		t.Errorf("got %v, want %v", got, want)
	}
	if got := i.Add(1500 * time.Nanosecond).Sub(i); got != time.Microsecond {
		t.Errorf("1.5 µs later is %v later", got)
	}
}

// FuzzDecode: never a panic, and what is read is written and read the same.
func FuzzDecode(f *testing.F) {
	for _, name := range slices.Sorted(maps.Keys(dataForms)) {
		typ, b, err := Encode((&filler{}).event(name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(typ, b)
	}
	f.Add("witnessmark.reading.taken.v1", []byte(`{"torque_nm":35.25}`))
	f.Add("witnessmark.rules.decided.v1", []byte(`{"outcomes":[{"job.opened.v1":{}},null]}`))
	f.Fuzz(func(t *testing.T, typ string, b []byte) {
		d, err := Decode(typ, b)
		if err != nil {
			return
		}
		again, b2, err := Encode(d)
		if err != nil {
			t.Fatalf("%s %s: %v", typ, b, err)
		}
		if same, err := Decode(again, b2); err != nil || !cmp.Equal(d, same, sameValues) {
			t.Fatalf("%s %s came back as %s: %v", typ, b, b2, err)
		}
	})
}

// aDecision is what the journal holds most of, beside readings.
func aDecision() Decided {
	f := &filler{}
	return Decided{Cause: 7, CauseUs: 8, Rules: "1", Outcomes: []Outcome{{f.outcome("reading.judged")}, {f.outcome("deadline.set")}}}
}

func BenchmarkEncode(b *testing.B) {
	for _, d := range []Data{(&filler{}).event("reading.taken"), aDecision()} {
		b.Run(strings.TrimPrefix(TypeName(d), TypePrefix), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, _, err := Encode(d); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkDecode(b *testing.B) {
	for _, d := range []Data{(&filler{}).event("reading.taken"), aDecision()} {
		typ, text, err := Encode(d)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(strings.TrimPrefix(typ, TypePrefix), func(b *testing.B) {
			b.ReportAllocs()
			b.SetBytes(int64(len(text)))
			for b.Loop() {
				if _, err := Decode(typ, text); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
