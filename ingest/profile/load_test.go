package profile

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/events/quantity"
	"witnessmark/ingest/profiles"
)

// TestProblems changes one thing in a good file: the error names the place,
// what is wrong and what would be right.
func TestProblems(t *testing.T) {
	k2, _ := profiles.Files.ReadFile("orrin-k2.yaml")
	s5, _ := profiles.Files.ReadFile("velm-s5.yaml")
	d3, _ := profiles.Files.ReadFile("pinn-d3.yaml")
	t9, _ := profiles.Files.ReadFile("tarn-t9.yaml")
	p8, _ := profiles.Files.ReadFile("quarle-p8.yaml")
	for _, c := range []struct {
		name, text, from, to string
		want                 []string // all in one line of the error
	}{
		{"samples without trace", string(s5), "    - {field: duration", "    - {field: samples, at: 18, length: 2, type: decimal}\n    - {field: duration", []string{"decode: ", "add trace"}},
		{"travel unit", string(p8), "MM: mm", "MM: kN", []string{"travel.units", "no unit of length"}},
		{"travel without a unit", string(p8), "  units: {MM: mm, IN: in}\n", "", []string{"travel: ", "one way to tell the unit"}},
		{"travel limit", string(p8), "most: 160 mm", "most: 160 N", []string{"travel.most", "no length"}},
		{"travel upside down", string(p8), "most: 160 mm", "most: -3 mm", []string{"travel.least", "exchange"}},
		{"travel back", string(p8), "back: 0.1 mm", "back: -0.1 mm", []string{"travel.back", "below zero"}},
		{"travel not explained", string(p8), "travel:\n", "travle:\n", []string{"add travel"}},
		{"travel not decoded", string(p8), "(?<travel>", "(?:", []string{"travel", "decode gives no travel"}},
		{"travel unit not decoded", string(p8), "(?<travel_unit>[A-Z]{2})", "[A-Z]{2}", []string{"travel.units", "decode travel_unit"}},
		{"travel unit not used", string(p8), "units: {MM: mm, IN: in}", "unit: mm", []string{"travel.unit", "decode gives a travel_unit"}},
		{"travel without stroke", string(p8), "stroke:", "stork:", []string{"travel", "add stroke"}},
		{"trace without samples", string(t9), "    - {field: samples, at: 17, type: u16le}\n", "", []string{"trace: ", "decode a field samples"}},
		{"trace without counter", string(t9), "counter: {modulus: 65536}", "counter: {modulus: 65536, counts: frames}", []string{"trace: ", "counter of readings"}},
		{"trace without time", string(t9), "  period: {at: 9, type: u16le, unit: us}\n", "", []string{"trace: ", "give a period, or a column time"}},
		{"sample without torque", string(t9), "    - {field: torque, type: i16le, scale: 0.02}\n", "", []string{"trace.sample", "a sample has no torque"}},
		{"sample angle unit", string(t9), "scale: 0.1, unit: deg}\n\nacquire", "scale: 0.1, unit: mm}\n\nacquire", []string{"trace.sample", "no unit of angle"}},
		{"trace mark empty", string(t9), `is: "S"`, `is: ""`, []string{"trace.mark.is", "the mark is empty"}},
		{"trace too long", string(t9), "most: 6000", "most: 60000", []string{"trace.most", "from 2 to 20000"}},
		{"counted without sync", string(t9), `sync: "\xC5\x3A"`, `sync: ""`, []string{"framing.sync", "needs a mark"}},
		{"unknown key", string(k2), "about:", "abuot:", []string{":6:1: abuot: ", `"abuot" is not known`, `did you mean "about"`}},
		{"unknown inner key", string(k2), "parity:", "partiy:", []string{":9:34: line.partiy", `did you mean "parity"`}},
		{"key twice", string(k2), "reads: peak", "reads: peak\nreads: peak", []string{":8:1: reads", "twice"}},
		{"missing key", string(k2), "acquire: {by: push}", "", []string{"acquire is missing", "add acquire"}},
		{"baud", string(k2), "9600", "96k", []string{":9:14: line.baud", `"96k"`, "from 50"}},
		{"framing kind", string(k2), "kind: line", "kind: lines", []string{"framing.kind", `did you mean "line"`}},
		{"no end", string(k2), `end: "\r\n", `, "", []string{"framing: end is missing"}},
		{"too wide", string(k2), `start: "#"`, `start: "€"`, []string{"framing.start", "is no byte"}},
		{"checksum", string(k2), "sum-8", "crc-8", []string{"checksum.kind", `"crc-8"`}},
		{"checksum behind", string(k2), "at: -4", "at: -1", []string{"checksum.at", "-2 or less"}},
		{"checksum offset missing", string(k2), "from: 1, ", "", []string{"checksum: from is missing"}},
		{"pattern", string(k2), "(?<counter>[0-9]{4})", "(?<counter>[0-9]{4}", []string{":16:12: decode.pattern", "missing closing )"}},
		{"group", string(k2), "?<counter>", "?<count>", []string{"decode.pattern", `group "count"`, `did you mean "counter"`}},
		{"no value", string(k2), "?<value>", "?<clock>", []string{"gives no value"}},
		{"unit", string(k2), "kgf·cm", "kilos", []string{"units.KGCM", `"kilos" is no unit`}},
		{"units of two kinds", string(k2), "kgf·cm", "mm", []string{"units", "do not measure the same"}},
		{"factor", string(k2), "scale: 0.1", "scale: -0.1", []string{"angle.scale", "above zero"}},
		{"factor NaN", string(k2), "scale: 0.1", "scale: .nan", []string{"angle.scale", "above zero"}},
		{"angle unit", string(k2), "unit: deg", "unit: mm", []string{"angle.unit", "no unit of angle"}},
		{"no table", string(k2), "counter: {modulus: 10000}", "", []string{"add counter"}},
		{"status not used", string(k2), "(?<status>[A-Z]{2,4})", "[A-Z]{2,4}", []string{"status", "decode gives no status"}},
		{"map for list", string(s5), "  fields:\n", "  fields: 5\n  fiels:\n", []string{"decode.fields", "list"}},
		{"field name", string(s5), "field: counter", "field: cuonter", []string{"decode.fields[1].field", `did you mean "counter"`}},
		{"field type", string(s5), "length: 6, type: decimal", "length: 6, type: text", []string{"decode.fields[1].type", "use text for words"}},
		{"field length", string(s5), "at: 2, length: 6,", "at: 2,", []string{"decode.fields[1]", "add length"}},
		{"two fields", string(s5), "field: sign", "field: value", []string{"two fields"}},
		{"answer", string(s5), "{counter:06}", "{count}", []string{"answer", "{counter:06}"}},
		{"resends without counter", string(d3), "acquire:", "resends: true\nacquire:", []string{"resends", "counter of readings"}},
		{"poll without ask", string(d3), `ask: "R\r", `, "", []string{"acquire: ask is missing"}},
		{"push with ask", string(k2), "{by: push}", `{by: push, ask: "R"}`, []string{"acquire.ask", "leave it out"}},
		{"interval", string(d3), "every: 50ms", "every: 50", []string{"acquire.every", "500ms"}},
		{"settle missing", string(d3), "settle:", "about2:", []string{"settle", "do not go together"}},
		{"settle window", string(d3), "window: 600ms, ", "", []string{"settle", "window"}},
		{"settle unit", string(d3), "rearm: 0.02 mm", "rearm: 0.02 N·m", []string{"settle", "torque"}},
		{"range of two kinds", string(d3), "least: -12.7 mm", "least: -12.7 N", []string{"least or most"}},
		{"range upside down", string(d3), "least: -12.7 mm", "least: 13 mm", []string{"value.least", "exchange"}},
		{"mask", string(d3), `mask: "\xF8"`, `mask: "\xF8\x00"`, []string{"mask", "2 bytes"}},
		{"bit", string(d3), "bit: 2", "bit: 9", []string{"from 0 to 7"}},
		{"alias", string(k2), "reads: peak", "reads: &a peak\nkinds: *a", []string{"kinds", "alias"}},
		{"two documents", string(k2), "reads: peak", "reads: peak\n---\nx: y", []string{"more than one document"}},
		{"no YAML", string(k2), "reads: peak", "reads: [peak", []string{"no YAML"}},
		{"a list", "- 1\n", "", "", []string{":1:1: it is a list"}},
		{"empty", "# nothing\n", "", "", []string{"empty"}},
		{"great", strings.Repeat("#", mostText+1) + "\n", "", "", []string{"more than"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.from != "" && !strings.Contains(c.text, c.from) {
				t.Fatalf("the file has no %q", c.from)
			}
			_, err := Load("shop/x.yaml", []byte(strings.Replace(c.text, c.from, c.to, 1)))
			var ps Problems
			if !errors.As(err, &ps) || len(ps) == 0 {
				t.Fatalf("error %v is no Problems", err)
			}
			for _, p := range ps {
				if p.Line < 1 || p.Col < 1 || p.What == "" || p.Want == "" || p.File != "x.yaml" {
					t.Errorf("problem lacks something: %+v", p)
				}
				line, all := p.String(), true
				for _, w := range c.want {
					all = all && strings.Contains(line, w)
				}
				if all {
					return
				}
			}
			t.Errorf("no line has all of %q:\n%v", c.want, err)
		})
	}
}

func TestShipped(t *testing.T) {
	want := "marl-w6 orrin-k2 pinn-d3 quarle-p8 skerry-f2 tarn-t9 velm-s5"
	if got := strings.Join(Shipped(), " "); got != want {
		t.Errorf("shipped %s, want %s", got, want)
	}
	k2, s5, d3 := mustLoad(t, "orrin-k2"), mustLoad(t, "velm-s5"), mustLoad(t, "pinn-d3")
	if k2.CounterModulus() != 10000 || k2.FrameModulus() != 0 || k2.Resends() || k2.Answer(Reading{}) != nil || k2.Kind() != Peak {
		t.Error("orrin-k2: counter, resends, answer or kind is wrong")
	}
	if s5.CounterModulus() != 1000000 || !s5.Resends() || s5.Answer(Reading{}) != nil {
		t.Error("velm-s5: counter, resends or answer is wrong")
	}
	n := uint64(42)
	if got := string(s5.Answer(Reading{Counter: &n})); got != "\x06000042\r" {
		t.Errorf("velm-s5 answers %q", got)
	}
	a := d3.Acquire()
	if d3.CounterModulus() != 0 || d3.FrameModulus() != 256 || a.By != Poll || string(a.Ask) != "R\r" || a.Every != 50*time.Millisecond || d3.Kind() != Sample {
		t.Error("pinn-d3: counter, acquire or kind is wrong")
	}
	if c, ok := d3.Settle(); !ok || c.Rearm != quantity.Millimetres(0.02).Value() || c.Window != 600*time.Millisecond {
		t.Errorf("pinn-d3 settles by %+v, %v", c, ok)
	}
	if f := mustLoad(t, "skerry-f2").Stroke(); f == nil || f.Contact != quantity.Of(0.3, quantity.Kilonewton) || f.Clock != time.Millisecond || d3.Stroke() != nil {
		t.Errorf("skerry-f2 cuts by %+v", f)
	}
	if _, ok := k2.Settle(); ok {
		t.Error("orrin-k2 settles")
	}
	if len(k2.Hash()) != 12 || k2.ID() != "orrin-k2@"+k2.Hash() {
		t.Errorf("id %q", k2.ID())
	}
}

func TestOpenFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "mine.yaml")
	if err := os.WriteFile(file, []byte(plainLine), 0o600); err != nil {
		t.Fatal(err)
	}
	p, err := Open(file)
	if err != nil || p.Name() != "plain-line" || p.Line() != (Line{4800, 8, ParityNone, "1", FlowNone}) {
		t.Errorf("open %s: %+v, %v", file, p, err)
	}
	if _, err := Open("no-such"); err == nil || !strings.Contains(err.Error(), "orrin-k2, pinn-d3, quarle-p8, skerry-f2, tarn-t9, velm-s5") {
		t.Errorf("error %v does not list the shipped profiles", err)
	}
	if _, err := Open(t.TempDir()); err == nil {
		t.Error("a directory was opened as a profile")
	}
}
