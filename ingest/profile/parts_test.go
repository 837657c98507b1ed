package profile

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"witnessmark/events/quantity"
	"witnessmark/ingest/profiles"
)

// TestModbusCheckValue: 4B37 for "123456789" is the check value of
// CRC-16/MODBUS in the catalogue of parametrised CRC algorithms, cited from
// memory; and the table agrees with a bitwise implementation on any bytes.
func TestModbusCheckValue(t *testing.T) {
	if got := crcModbus([]byte("123456789")); got != 0x4B37 {
		t.Errorf("CRC of the nine digits is %04X, want 4B37", got)
	}
	rapid.Check(t, func(t *rapid.T) {
		b := rapid.SliceOf(rapid.Byte()).Draw(t, "b")
		if got, want := crcModbus(b), bitwiseModbus(b); got != want {
			t.Errorf("%X: table %04X, bit by bit %04X", b, got, want)
		}
	})
}

// TestChecksumForms: sums by hand. 31+32+33 hexadecimal is 96, 31^32^33 is 30.
func TestChecksumForms(t *testing.T) {
	for _, c := range []struct {
		sum   checksum
		frame string
		want  string
	}{
		{checksum{kind: sum8, to: 3, at: 3, form: formHexUpper}, "12396", ""},
		{checksum{kind: sum8, to: -2, at: -2, form: formHexUpper}, "12397", ReasonChecksum},
		{checksum{kind: sumXor8, to: 3, at: 3, form: formBinary}, "1230", ""},
		{checksum{kind: sumXor8, to: 3, at: 3, form: formBinary}, "123", ReasonForm},
		{checksum{kind: sum8, from: 2, to: -3, at: 0, form: formBinary}, "1234", ReasonForm},
		{checksum{kind: sum8, to: -2, at: -2, form: formHexLower}, "jjjjb" + "0A", ReasonChecksum},
		{checksum{kind: sum8, to: -2, at: -2, form: formHexAny}, "jjjjb" + "0a", ""},
		{checksum{kind: sum8, to: -2, at: -2, form: formHexAny}, "jjjjb" + "xx", ReasonChecksum},
		{checksum{kind: sumModbus, to: 9, at: 9, form: formHexUpper}, "1234567894B37", ""},
		{checksum{kind: sumModbus, to: 9, at: 9, form: formHexLower, little: true}, "123456789374b", ""},
		{checksum{kind: sumModbus, to: 9, at: 9, form: formBinary}, "123456789\x4B\x37", ""},
		{checksum{kind: sumModbus, to: 9, at: 9, form: formBinary, little: true}, "123456789\x37\x4B", ""},
		{checksum{kind: sumModbus, to: 9, at: 9, form: formBinary, little: true}, "123456789\x4B\x37", ReasonChecksum},
		{checksum{kind: sumNone}, "", ""},
	} {
		if got, detail := c.sum.check([]byte(c.frame)); got != c.want {
			t.Errorf("%+v of %q: %q (%s), want %q", c.sum, c.frame, got, detail, c.want)
		}
	}
}

func TestDecimals(t *testing.T) {
	for _, c := range []struct {
		in    string
		sign  byte
		scale string
		text  string // "" with reason
		why   string
	}{
		{"+026,00", ',', "1", "26.00", ""},
		{"-0,5", ',', "1", "-0.5", ""},
		{"0003525", 0, "0.01", "35.25", ""},
		{"151", 0, "0.001", "0.151", ""},
		{"12345", 0, "0.00005", "0.61725", ""},
		{"35", 0, "10", "350", ""},
		{"-0", '.', "1", "0", ""},
		{"25.40", '.', "1", "25.40", ""},
		{"NaN", '.', "1", "", ReasonNumber},
		{"Inf", '.', "1", "", ReasonNumber},
		{"1e5", '.', "1", "", ReasonNumber},
		{"1.2.3", '.', "1", "", ReasonNumber},
		{"1,234", '.', "1", "", ReasonNumber},
		{"12.", '.', "1", "", ReasonNumber},
		{".5", '.', "1", "", ReasonNumber},
		{"", '.', "1", "", ReasonNumber},
		{"-", '.', "1", "", ReasonNumber},
		{"+-5", '.', "1", "", ReasonNumber},
		{"5 ", '.', "1", "", ReasonNumber},
		{"0x10", '.', "1", "", ReasonNumber},
		{"1.5", 0, "1", "", ReasonNumber},
		{"99999999999999999999999", '.', "1", "", ReasonRange},
		{"0.0000000000000000000001", '.', "1", "", ReasonRange},
		{"999999999999999999", '.', "10", "", ReasonRange},
	} {
		n, below, why := readDecimal([]byte(c.in), c.sign)
		s, _, _ := readDecimal([]byte(c.scale), '.')
		if below {
			n.mant = -n.mant
		}
		p, ok := n.times(s)
		if why == "" && !ok {
			why = ReasonRange
		}
		if why != c.why || (why == "" && p.text() != c.text) {
			t.Errorf("%q × %s: %q %q, want %q %q", c.in, c.scale, p.text(), why, c.text, c.why)
		}
	}
}

// TestDecimalsExact holds text and binary value to strconv, which rounds
// correctly.
func TestDecimalsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := number{rapid.Int64Range(-maxMantissa, maxMantissa).Draw(t, "mant"), rapid.IntRange(0, maxDecimals).Draw(t, "dec")}
		want, err := strconv.ParseFloat(n.text(), 64)
		if err != nil || n.float() != want {
			t.Errorf("%+v: %v, strconv has %v of %q, %v", n, n.float(), want, n.text(), err)
		}
		back, below, why := readDecimal([]byte(n.text()), '.')
		if below {
			back.mant = -back.mant
		}
		if why != "" || back != n {
			t.Errorf("%+v comes back as %+v, %s", n, back, why)
		}
		if r := n.round(); n.dec > 0 && math.Abs(float64(r)-n.float()) > 0.5*(1+1e-9) {
			t.Errorf("%+v rounds to %d", n, r)
		}
	})
}

// TestResolution: one last digit of what was sent, in the unit it was sent in.
func TestResolution(t *testing.T) {
	for _, c := range []struct {
		profile string
		frame   []byte
		want    quantity.Value
	}{
		{"orrin-k2", k2Frame(1, "+26,0", "FTLB", "0155", "OK"), quantity.Of(0.1, quantity.PoundFoot)},
		{"velm-s5", s5Frame(1, '+', 3525, 1, 0, 1), quantity.NewtonMetres(0.01).Value()},
		{"pinn-d3", d3Frame(0, 151, 0), quantity.Millimetres(0.001).Value()},
		{"pinn-d3", d3Frame(1, 151, 0), quantity.Inches(0.00005).Value()},
	} {
		got := run(mustLoad(t, c.profile), one(c.frame))
		if len(got) != 1 || got[0].Reading == nil || got[0].Reading.Resolution != c.want {
			t.Errorf("%s %q: %+v, want resolution %v", c.profile, c.frame, got, c.want)
		}
	}
}

var hexBlock = regexp.MustCompile("(?s)```text\n([0-9A-F \n]+)```")

func hexOf(tb testing.TB, text string) []byte {
	tb.Helper()
	var b []byte
	for _, w := range strings.Fields(text) {
		x, err := strconv.ParseUint(w, 16, 8)
		if err != nil {
			tb.Fatalf("byte %q: %v", w, err)
		}
		b = append(b, byte(x))
	}
	return b
}

// TestNotes keeps the protocol notes and the profiles in step: the profile
// decodes the worked example of its note to what the note states, and
// answers as it says.
func TestNotes(t *testing.T) {
	for _, name := range Shipped() {
		text, err := profiles.Notes.ReadFile(name + ".md")
		if err != nil {
			t.Errorf("%s has no note: %v", name, err)
			continue
		}
		note := string(text)
		_, example, ok := strings.Cut(note, "## A worked example")
		blocks := hexBlock.FindAllStringSubmatch(example, -1)
		if !ok || len(blocks) == 0 {
			t.Errorf("%s.md has no worked example", name)
			continue
		}
		p := mustLoad(t, name)
		got := run(p, one(hexOf(t, blocks[0][1])))
		if len(got) != 1 || got[0].Reading == nil {
			t.Errorf("%s: the worked example gives %v", name, summary(got))
			continue
		}
		r := got[0].Reading
		checkStated(t, name, example, r)
		answer := p.Answer(*r)
		if want := len(blocks) == 2; (answer != nil) != want || (want && string(answer) != string(hexOf(t, blocks[1][1]))) {
			t.Errorf("%s: answer %X is not the note's", name, answer)
		}
		l := p.Line()
		for _, want := range []string{fmt.Sprintf("%d baud", l.Baud), fmt.Sprintf("%d data bits", l.DataBits), "no parity", l.StopBits + " stop bit", "(invented)"} {
			if !strings.Contains(strings.Join(strings.Fields(note), " "), want) {
				t.Errorf("%s.md does not say %q, as the profile does", name, want)
			}
		}
	}
}

var statedRow = regexp.MustCompile(`(?m)^\| ([a-z_]+) \| (\S+) \|$`)

func checkStated(t *testing.T, name, example string, r *Reading) {
	t.Helper()
	is := map[string]string{"kind": string(r.Kind), "text": r.Text, "unit": r.Unit.Code(), "status": r.Status}
	if r.Counter != nil {
		is["counter"] = fmt.Sprint(*r.Counter)
	}
	if r.FrameNumber != nil {
		is["frame_number"] = fmt.Sprint(*r.FrameNumber)
	}
	if a, ok := r.Angle.Angle(); ok {
		is["angle_deg"] = fmt.Sprint(a.Degrees())
	}
	if r.DurationUs != 0 {
		is["duration_us"] = fmt.Sprint(r.DurationUs)
	}
	n := 0
	for _, m := range statedRow.FindAllStringSubmatch(example, -1) {
		if m[1] == "what" {
			continue
		}
		n++
		if is[m[1]] != m[2] {
			t.Errorf("%s: %s is %q, the note has %q", name, m[1], is[m[1]], m[2])
		}
	}
	if n != len(is) {
		t.Errorf("%s: the note states %d things, the reading has %d: %v", name, n, len(is), is)
	}
}
