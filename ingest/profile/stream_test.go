package profile

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// The encoders here are written from the protocol notes and share nothing
// with the decoder.

func k2Frame(counter int, value, unit, angle, status string) []byte {
	body := fmt.Sprintf("%04d;P;%s;%s;A%s;%s", counter, value, unit, angle, status)
	var sum byte
	for _, c := range []byte(body) {
		sum += c
	}
	return fmt.Appendf(nil, "#%s*%02X\r\n", body, sum)
}

func s5Frame(number int, sign byte, hundredths, unit, status, ms int) []byte {
	body := fmt.Sprintf("T%06d%c%07d%d%d%05d", number, sign, hundredths, unit, status, ms)
	return fmt.Appendf(nil, "\x02%s%04X\x03", body, bitwiseModbus([]byte(body)))
}

func d3Frame(status byte, counts int32, number byte) []byte {
	u := uint32(counts)
	b := []byte{0xA5, status, byte(u >> 24), byte(u >> 16), byte(u >> 8), byte(u), number}
	var x byte
	for _, c := range b {
		x ^= c
	}
	return append(b, x)
}

// t9Frame is mark, length, content, CRC.
func t9Frame(content []byte) []byte {
	b := append([]byte{0xC5, 0x3A, byte(len(content)), byte(len(content) >> 8)}, content...)
	c := bitwiseModbus(b[2:])
	return append(b, byte(c), byte(c>>8))
}

func t9Pull(number int, hundredths int32, unit, status byte, tenths int16, ms, samples int) []byte {
	u := uint32(hundredths)
	return t9Frame([]byte{'P', byte(number), byte(number >> 8), byte(u), byte(u >> 8), byte(u >> 16), byte(u >> 24), unit, status,
		byte(tenths), byte(uint16(tenths) >> 8), byte(ms), byte(ms >> 8), byte(samples), byte(samples >> 8)})
}

// t9Block has torque (0.02) and angle (0.1°) in turn.
func t9Block(number, first, us int, figures ...int16) []byte {
	b := []byte{'S', byte(number), byte(number >> 8), byte(first), byte(first >> 8), byte(us), byte(us >> 8)}
	for _, x := range figures {
		b = append(b, byte(x), byte(uint16(x)>>8))
	}
	return t9Frame(b)
}

// bitwiseModbus is CRC-16/MODBUS bit by bit, most significant bit first, over
// mirrored bytes: another way than the table of the mirrored polynomial.
func bitwiseModbus(b []byte) uint16 {
	reg := uint32(0xFFFF)
	for _, c := range b {
		for i := range 8 {
			bit := uint32(c>>i&1) ^ reg>>15&1
			reg = reg << 1 & 0xFFFF
			if bit == 1 {
				reg ^= 0x8005
			}
		}
	}
	var mirrored uint16
	for i := range 16 {
		mirrored |= uint16(reg>>i&1) << (15 - i)
	}
	return mirrored
}

// Further invented tools, for what the shipped ones do not have.
const (
	plainLine = `
profile: plain-line
reads: peak
line: {baud: 4800}
framing: {kind: line, end: "\n", max: 20}
checksum: {kind: none}
decode: {pattern: '(?<value>-?[0-9]+\.[0-9]+) (?<unit>[A-Za-z]+)'}
value: {decimal: point, least: -500 N·m, most: 500 N·m}
units: {Nm: N·m, ftlb: lbf·ft}
acquire: {by: push}
`
	idleBinary = `
profile: idle-binary
reads: peak
line: {baud: 19200, parity: even}
framing: {kind: idle, gap: 20ms, max: 16}
checksum: {kind: crc-16/modbus, from: 0, to: -2, at: -2, form: binary, order: little}
decode:
  fields:
    - {field: literal, at: 0, is: "\x01\x04"}
    - {field: counter, at: 2, type: u16be}
    - {field: value, at: 4, type: i16le}
value: {scale: 0.1, unit: N·m}
counter: {modulus: 65536}
acquire: {by: push}
`
	fixedBare = `
profile: fixed-bare
reads: peak
line: {baud: 2400}
framing: {kind: fixed, length: 6}
checksum: {kind: sum-8, from: 0, to: 4, at: 4, form: hex_lower}
decode:
  fields: [{field: value, at: 0, length: 4, type: hex}]
value: {scale: 0.01, unit: N·m}
acquire: {by: push}
`
	stxTail = `
profile: stx-tail
reads: peak
line: {baud: 9600}
framing: {kind: stx_etx, tail: 1, max: 12}
checksum: {kind: xor-8, from: 1, to: -1, at: -1, form: binary}
decode: {pattern: '(?<value>[0-9]{1,4})(?<unit>[NF])'}
value: {scale: 0.1}
units: {N: N·m, F: lbf·ft}
acquire: {by: push}
`
)

func idleFrame(counter, tenths int) []byte {
	b := []byte{1, 4, byte(counter >> 8), byte(counter), byte(tenths), byte(tenths >> 8)}
	c := bitwiseModbus(b)
	return append(b, byte(c), byte(c>>8))
}

func bareFrame(v uint16) []byte {
	b := fmt.Appendf(nil, "%04x", v)
	return fmt.Appendf(b, "%02x", b[0]+b[1]+b[2]+b[3])
}

func tailFrame(body string) []byte {
	b := []byte("\x02" + body + "\x03")
	var x byte
	for _, c := range b[1:] {
		x ^= c
	}
	return append(b, x)
}

// mustLoad loads a shipped profile by name, or one of the texts above.
func mustLoad(tb testing.TB, name string) *Profile {
	tb.Helper()
	texts := map[string]string{"plain-line": plainLine, "idle-binary": idleBinary, "fixed-bare": fixedBare, "stx-tail": stxTail}
	p, err := Open(name)
	if text, ok := texts[name]; ok {
		p, err = Load(name+".yaml", []byte(text))
	}
	if err != nil {
		tb.Fatal(err)
	}
	return p
}

// good returns a good frame of a profile; different for each n below 100.
func good(name string, n int) []byte {
	switch name {
	case "orrin-k2":
		return k2Frame(n, fmt.Sprintf("+%03d,%02d", 20+n, n), "FTLB", "0155", "OK")
	case "velm-s5":
		return s5Frame(n, '+', 3500+n, 1, 0, 840)
	case "pinn-d3":
		return d3Frame(0, int32(150+n), byte(n))
	case "tarn-t9":
		if n%3 == 2 {
			return t9Block(n-1, 0, 1000, int16(n), 10, 900, 187)
		}
		return t9Pull(n, int32(3500+n), 'n', 0, 412, 840, 2)
	case "plain-line":
		return fmt.Appendf(nil, "%d.5 Nm\n", 20+n)
	case "idle-binary":
		return idleFrame(n, 300+n)
	case "fixed-bare":
		return bareFrame(uint16(3000 + n))
	}
	return tailFrame(fmt.Sprintf("%03dN", 100+n))
}

// streaming are the profiles in which time does not end a frame.
var streaming = []string{"orrin-k2", "velm-s5", "pinn-d3", "tarn-t9", "plain-line", "fixed-bare", "stx-tail"}

// chunk is bytes that come at one time.
type chunk struct {
	b  []byte
	at events.Instant
}

// streamCase is a stream of a tool and what is to come out: "+TEXT UNIT" for
// a reading, "-REASON N" for a refusal of N bytes.
type streamCase struct {
	name, profile string
	in            []chunk
	want          []string
}

func join2(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

func one(parts ...[]byte) []chunk { return []chunk{{join2(parts...), 1}} }

// flip returns b with the bits of mask in byte i turned.
func flip(b []byte, i int, mask byte) []byte {
	b = bytes.Clone(b)
	b[i] ^= mask
	return b
}

// streamCases feeds the tests and the fuzz seeds. All bytes are invented.
func streamCases() []streamCase {
	k := func(n int) []byte { return good("orrin-k2", n) }
	s := func(n int) []byte { return good("velm-s5", n) }
	d := func(n int) []byte { return good("pinn-d3", n) }
	i := func(n int) []byte { return good("idle-binary", n) }
	const ms = events.Instant(1000)
	t := func(n int) []byte { return good("tarn-t9", n) }
	return []streamCase{
		{"t9 two around a bad one", "tarn-t9", one(t(0), flip(t(1), 9, 1), t(3)), []string{"+35.00 N.m", "-checksum 21", "+35.03 N.m"}},
		{"t9 with a block", "tarn-t9", one(t(1), t(2), t(3)), []string{"+35.01 N.m", "+samples 2", "+35.03 N.m"}},
		{"t9 half a sample", "tarn-t9", one(t9Block(1, 0, 1000, 5, 6, 7)), []string{"-form 19"}},
		{"t9 no sample", "tarn-t9", one(t9Block(1, 0, 1000)), []string{"-form 13"}},
		{"t9 sample beyond the last", "tarn-t9", one(t9Block(1, 6000, 1000, 5, 6)), []string{"-range 17"}},
		{"t9 no time between samples", "tarn-t9", one(t9Block(1, 0, 0, 5, 6)), []string{"-range 17"}},
		{"t9 length beyond any", "tarn-t9", one([]byte{0xC5, 0x3A, 0xFF, 0xFF}, t(1)), []string{"-noise 4", "+35.01 N.m"}},
		{"t9 length hit", "tarn-t9", one(flip(t(1), 2, 0x40), t(3)), []string{"-cut 21", "+35.03 N.m"}},
		{"t9 unit unknown", "tarn-t9", one(t9Pull(1, 3500, 'x', 0, 0, 0, 0)), []string{"-unit 21"}},
		{"t9 overload", "tarn-t9", one(t9Pull(1, 3500, 'f', 1, 0, 0, 0)), []string{"+35.00 lbf.ft overload bad"}},

		{"k2 one", "orrin-k2", one(k(1)), []string{"+21.01 lbf.ft"}},
		{"k2 two around a bad one", "orrin-k2", one(k(1), flip(k(2), 9, 1), k(3)), []string{"+21.01 lbf.ft", "-checksum 34", "+23.03 lbf.ft"}},
		{"k2 noise before", "orrin-k2", one([]byte("\x00#\xff##"), k(1)), []string{"-noise 1", "-cut 4", "+21.01 lbf.ft"}},
		{"k2 cut by the next", "orrin-k2", one(k(1)[:20], k(2)), []string{"-cut 20", "+22.02 lbf.ft"}},
		{"k2 terminator lost", "orrin-k2", one(k(1)[:32], k(2), k(3)), []string{"-cut 32", "+22.02 lbf.ft", "+23.03 lbf.ft"}},
		{"k2 cut by silence", "orrin-k2", one(k(1), k(2)[:9]), []string{"+21.01 lbf.ft", "-cut 9"}},
		{"k2 start for ever", "orrin-k2", one(bytes.Repeat([]byte("#"), 60)), []string{"-too_long 48", "-cut 12"}},
		{"k2 long noise", "orrin-k2", one(bytes.Repeat([]byte("x"), 2500), k(1)), []string{"-noise 1024", "-noise 1024", "-noise 452", "+21.01 lbf.ft"}},
		{"k2 no number", "orrin-k2", one(k2Frame(1, "+NaN,00", "NM", "0155", "OK")), []string{"-form 32"}},
		{"k2 point for comma", "orrin-k2", one(k2Frame(1, "+026.00", "NM", "0155", "OK")), []string{"-form 32"}},
		{"k2 unit unknown", "orrin-k2", one(k2Frame(1, "+026,00", "OZIN", "0155", "OK")), []string{"-unit 34"}},
		{"k2 overload", "orrin-k2", one(k2Frame(1, "+326,0", "NM", "----", "OVER")), []string{"+326.0 N.m overload bad"}},
		{"k2 battery", "orrin-k2", one(k2Frame(1, "+26,000", "KGCM", "0000", "BATT")), []string{"+26.000 kgf.cm battery_low"}},
		{"k2 status unknown", "orrin-k2", one(k2Frame(1, "-00312,5", "INLB", "0000", "HOT")), []string{"+-312.5 lbf.in unknown bad"}},
		{"k2 lower-case checksum", "orrin-k2", one(bytes.Replace(k2Frame(42, "+026,00", "FTLB", "0155", "OK"), []byte("5A"), []byte("5a"), 1)), []string{"-checksum 34"}},

		{"s5 two around a bad one", "velm-s5", one(s(1), flip(s(2), 12, 2), s(3)), []string{"+35.01 N.m", "-checksum 28", "+35.03 N.m"}},
		{"s5 end mark hit", "velm-s5", one(s(1), flip(s(2), 27, 0x40), s(3)), []string{"+35.01 N.m", "-too_long 28", "+35.03 N.m"}},
		{"s5 end mark inside", "velm-s5", one(s5Broken(s(2)), s(3)), []string{"-checksum 11", "-noise 17", "+35.03 N.m"}},
		{"s5 two marks", "velm-s5", one([]byte{2, 2}, s(1)), []string{"-cut 2", "+35.01 N.m"}},
		{"s5 loosening", "velm-s5", one(s5Frame(7, '-', 1234, 2, 2, 99999)), []string{"+-12.34 lbf.ft battery_low"}},
		{"s5 unit unknown", "velm-s5", one(s5Frame(7, '+', 1234, 9, 0, 1)), []string{"-unit 28"}},
		{"s5 sign unknown", "velm-s5", one(s5Frame(7, '*', 1234, 1, 0, 1)), []string{"-number 28"}},
		{"s5 sent again", "velm-s5", one(s(1), s(1)), []string{"+35.01 N.m", "+35.01 N.m"}},

		{"d3 two around a bad one", "pinn-d3", one(d(1), flip(d(2), 5, 1), d(3)), []string{"+0.151 mm", "-checksum 8", "+0.153 mm"}},
		{"d3 byte lost", "pinn-d3", one(d(1), d(2)[:7], d(3), d(4)), []string{"+0.151 mm", "-cut 7", "+0.153 mm", "+0.154 mm"}},
		{"d3 byte more", "pinn-d3", one(d(1), d(2)[:3], []byte{0x11}, d(2)[3:], d(3)), []string{"+0.151 mm", "-checksum 8", "-noise 1", "+0.153 mm"}},
		{"d3 sync inside", "pinn-d3", one(d3Frame(0, 0xA5, 0xA5), d3Frame(1, -0xA5, 0)), []string{"+0.165 mm", "+-0.00825 in"}},
		{"d3 accident in a bad frame", "pinn-d3", d3Accident(), []string{"-checksum 8", "+0.155 mm"}},
		{"d3 accident, then silence", "pinn-d3", []chunk{{d3Accident()[0].b[:11], 1}}, []string{"-cut 3", "+0.165 mm"}},
		{"d3 status bits", "pinn-d3", one(d3Frame(2, 1, 0), d3Frame(6, 20000, 1)), []string{"+0.001 mm battery_low", "+20.000 mm out_of_range bad"}},
		{"d3 beyond range", "pinn-d3", one(d3Frame(0, 12701, 0), d3Frame(1, 10000, 1), d3Frame(1, 10001, 2)), []string{"-range 8", "+0.50000 in", "-range 8"}},
		{"d3 reserved bit", "pinn-d3", one(d3Frame(8, 1, 0)), []string{"-form 8"}},

		{"line noise in the line", "plain-line", one([]byte("1?"), good("plain-line", 1), good("plain-line", 2)), []string{"-form 10", "+22.5 N.m"}},
		{"line two around a bad one", "plain-line", one(good("plain-line", 1), []byte("hello\n"), good("plain-line", 3)), []string{"+21.5 N.m", "-form 6", "+23.5 N.m"}},
		{"line empty", "plain-line", one([]byte("\n\n"), good("plain-line", 3)), []string{"-form 1", "-form 1", "+23.5 N.m"}},
		{"line beyond range", "plain-line", one([]byte("5000.0 Nm\n")), []string{"-range 10"}},
		{"line without end", "plain-line", one(bytes.Repeat([]byte("~"), 30), []byte("1.5 ftlb\n2.5 Nm\n")), []string{"-too_long 20", "-too_long 19", "+2.5 N.m"}},
		{"line out of step", "plain-line", one(bytes.Repeat([]byte("1"), 20), []byte("1.5 ftlb\n2.5 Nm\n")), []string{"-too_long 20", "-too_long 9", "+2.5 N.m"}},
		{"line without end, then silence", "plain-line", []chunk{{bytes.Repeat([]byte("1"), 25), 1}}, []string{"-too_long 20", "-too_long 5"}},

		{"idle frames", "idle-binary", []chunk{{i(1), 0}, {i(2), 30 * ms}, {i(3)[:4], 60 * ms}, {i(3)[4:], 70 * ms}}, []string{"+30.1 N.m", "+30.2 N.m", "+30.3 N.m"}},
		{"idle two around a bad one", "idle-binary", []chunk{{i(1), 0}, {flip(i(2), 3, 1), 30 * ms}, {i(3), 60 * ms}}, []string{"+30.1 N.m", "-checksum 8", "+30.3 N.m"}},
		{"idle noise before", "idle-binary", []chunk{{join2([]byte{9, 9, 9}, i(1)), 0}}, []string{"-noise 3", "+30.1 N.m"}},
		{"idle much noise before", "idle-binary", []chunk{{join2(bytes.Repeat([]byte{7}, 3000), i(1)), 0}}, []string{"-too_long 1024", "-too_long 1024", "-noise 952", "+30.1 N.m"}},
		{"idle cut", "idle-binary", []chunk{{i(1)[:5], 0}, {i(2), 50 * ms}}, []string{"-checksum 5", "+30.2 N.m"}},

		{"bare two around a bad one", "fixed-bare", one(bareFrame(2600), flip(bareFrame(2700), 1, 4), bareFrame(2800)), []string{"+26.00 N.m", "-checksum 6", "+28.00 N.m"}},
		{"bare noise before", "fixed-bare", one([]byte("zz"), bareFrame(2600)), []string{"-cut 2", "+26.00 N.m"}},

		{"tail two around a bad one", "stx-tail", one(tailFrame("100N"), flip(tailFrame("200N"), 2, 1), tailFrame("300F")), []string{"+10.0 N.m", "-checksum 7", "+30.0 lbf.ft"}},
	}
}

// s5Broken puts an ETX into the middle of a frame.
func s5Broken(b []byte) []byte {
	b = bytes.Clone(b)
	b[10] = 3
	return b
}

// d3Accident is a damaged frame in which, from its fourth byte on, a frame
// with a fitting checksum begins by accident, and a good frame behind it,
// whose first three bytes the accident would take.
func d3Accident() []chunk {
	return one([]byte{0xA5, 0x80, 0, 0xA5, 0, 0, 0, 0}, d3Frame(0, 155, 0))
}

func summary(fs []Frame) []string {
	var out []string
	for _, f := range fs {
		if f.Reading == nil {
			out = append(out, fmt.Sprintf("-%s %d", f.Reason, len(f.Bytes)))
			continue
		}
		if f.Reading.Kind == Part {
			out = append(out, fmt.Sprintf("+samples %d", f.Reading.Block.Len()))
			continue
		}
		s := fmt.Sprintf("+%s %s", f.Reading.Text, f.Reading.Unit.Code())
		if f.Reading.Status != StatusOK {
			s += " " + f.Reading.Status
		}
		if !f.Reading.Good {
			s += " bad"
		}
		out = append(out, s)
	}
	return out
}

// run decodes a stream to its end.
func run(p *Profile, in []chunk) []Frame {
	d := p.NewDecoder()
	var out []Frame
	for _, c := range in {
		out = append(out, d.Push(c.b, c.at)...)
	}
	return append(out, d.Flush()...)
}

func TestStreams(t *testing.T) {
	for _, c := range streamCases() {
		t.Run(c.name, func(t *testing.T) {
			got := run(mustLoad(t, c.profile), c.in)
			if diff := cmp.Diff(c.want, summary(got)); diff != "" {
				t.Errorf("frames (-want +got):\n%s", diff)
			}
			whole(t, c.in, got)
		})
	}
}

// whole fails unless the frames, joined, are the stream.
func whole(t interface {
	Helper()
	Errorf(string, ...any)
}, in []chunk, got []Frame) {
	t.Helper()
	var sent, back []byte
	for _, c := range in {
		sent = append(sent, c.b...)
	}
	for i, f := range got {
		if f.Offset != uint64(len(back)) || len(f.Bytes) == 0 {
			t.Errorf("frame %d: %d bytes at offset %d, want offset %d", i, len(f.Bytes), f.Offset, len(back))
		}
		if (f.Reading == nil) != (f.Reason != "" && f.Detail != "") {
			t.Errorf("frame %d is neither a reading nor a refusal: %+v", i, f)
		}
		back = append(back, f.Bytes...)
	}
	if !bytes.Equal(sent, back) {
		t.Errorf("frames joined give %X, sent was %X", back, sent)
	}
}

var exact = cmp.AllowUnexported(quantity.Value{}, quantity.Unit{}, Block{}, number{})

// TestCuts pushes every stream byte by byte and in random pieces: what comes
// out is the same.
func TestCuts(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range streamCases() {
		p := mustLoad(t, c.profile)
		want := run(p, c.in)
		for round := range 50 {
			var cut []chunk
			for _, x := range c.in {
				for b := x.b; len(b) > 0; {
					n := 1
					if round > 0 {
						n = 1 + rng.IntN(len(b))
					}
					cut = append(cut, chunk{b[:n], x.at})
					b = b[n:]
				}
			}
			if diff := cmp.Diff(want, run(p, cut), exact); diff != "" {
				t.Fatalf("%s, round %d (-whole +cut):\n%s", c.name, round, diff)
			}
		}
	}
}

// TestIdle ends what is pending by silence, as Flush does, and not before.
func TestIdle(t *testing.T) {
	for _, c := range streamCases() {
		p := mustLoad(t, c.profile)
		d := p.NewDecoder()
		var got []Frame
		var last events.Instant
		for _, x := range c.in {
			got = append(got, d.Push(x.b, x.at)...)
			got = append(got, d.Idle(x.at)...)
			last = x.at
		}
		got = append(got, d.Idle(last.Add(p.IdleAfter()-1000))...)
		if n := len(got); d.Pending() == 0 && n != len(run(p, c.in)) {
			t.Errorf("%s: bytes went out before the silence", c.name)
		}
		got = append(got, d.Idle(last.Add(p.IdleAfter()))...)
		if diff := cmp.Diff(run(p, c.in), got, exact); diff != "" {
			t.Errorf("%s (-flush +idle):\n%s", c.name, diff)
		}
		if d.Pending() != 0 {
			t.Errorf("%s: %d bytes pending after the silence", c.name, d.Pending())
		}
	}
}

// TestTimes: a frame's time is that of its last byte.
func TestTimes(t *testing.T) {
	d := mustLoad(t, "orrin-k2").NewDecoder()
	a, b := good("orrin-k2", 1), good("orrin-k2", 2)
	d.Push(a[:5], 10)
	d.Push(a[5:20], 20)
	got := d.Push(append(bytes.Clone(a[20:]), b[:3]...), 30)
	got = append(got, d.Push(b[3:], 40)...)
	if len(got) != 2 || got[0].At != 30 || got[1].At != 40 {
		t.Errorf("times %+v, want 30 and 40", got)
	}
}

// TestClockBack: a clock that jumps back ends no frame and loses none.
func TestClockBack(t *testing.T) {
	d := mustLoad(t, "idle-binary").NewDecoder()
	f := good("idle-binary", 1)
	d.Push(f[:4], 1_000_000)
	got := append(d.Push(f[4:], 1), d.Idle(2)...)
	got = append(got, d.Idle(30_000)...)
	if want := []string{"+30.1 N.m"}; cmp.Diff(want, summary(got)) != "" {
		t.Errorf("got %v, want %v", summary(got), want)
	}
}

// TestAnyStream: whatever comes, cut anyhow: every byte is in exactly one
// frame, and the cuts change nothing.
func TestAnyStream(t *testing.T) {
	for _, name := range append([]string{"idle-binary"}, streaming...) {
		p := mustLoad(t, name)
		t.Run(name, rapid.MakeCheck(func(t *rapid.T) {
			stream := drawStream(t, name)
			cut := stream
			var pieces []chunk
			for len(cut) > 0 {
				n := rapid.IntRange(1, min(len(cut), 50)).Draw(t, "n")
				pieces = append(pieces, chunk{cut[:n], 1})
				cut = cut[n:]
			}
			got := run(p, pieces)
			whole(t, pieces, got)
			if diff := cmp.Diff(run(p, one(stream)), got, exact); diff != "" {
				t.Errorf("%X: (-whole +cut)\n%s", stream, diff)
			}
		}))
	}
}

// drawStream draws good frames, damaged ones and noise.
func drawStream(t *rapid.T, name string) []byte {
	var b []byte
	for range rapid.IntRange(0, 8).Draw(t, "parts") {
		f := good(name, rapid.IntRange(0, 99).Draw(t, "frame"))
		switch rapid.IntRange(0, 4).Draw(t, "what") {
		case 0:
			f = flip(f, rapid.IntRange(0, len(f)-1).Draw(t, "at"), byte(rapid.IntRange(1, 255).Draw(t, "mask")))
		case 1:
			f = f[:rapid.IntRange(0, len(f)).Draw(t, "cut")]
		case 2:
			f = rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(t, "noise")
		}
		b = append(b, f...)
	}
	return b
}

// TestNeighbours: a damaged frame or noise costs no good frame beside it, in
// every framing that has a mark or a checksum. A sum-8 or xor-8 lets one
// accident in 256 through; of those here that is one: five bytes of a D3's
// frame and three of the next one are a good frame too.
func TestNeighbours(t *testing.T) {
	for _, name := range streaming {
		if name == "plain-line" {
			continue
		}
		p := mustLoad(t, name)
		a, bad, c := good(name, 1), good(name, 2), good(name, 3)
		for at := range bad {
			for bit := range 8 {
				got := run(p, one(a, flip(bad, at, 1<<bit), c))
				if !has(got, a) || !has(got, c) {
					t.Errorf("%s, byte %d bit %d: %v", name, at, bit, summary(got))
				}
			}
			got := run(p, one(a, bad[:at], bad[at+1:], c)) // one byte lost
			if !has(got, a) || !has(got, c) {
				t.Errorf("%s, byte %d lost: %v", name, at, summary(got))
			}
			if name == "pinn-d3" && at == 5 {
				continue
			}
			got = run(p, one(a, bad[:at], c)) // cut
			if !has(got, a) || !has(got, c) {
				t.Errorf("%s, cut at %d: %v", name, at, summary(got))
			}
		}
		for _, noise := range []string{"\x00", "?", "\xff\xfe\xff", "~~~~~~~~~~~~~~~~~~~~~~~~~~~~~~~~~~~~~~"} {
			if got := run(p, one([]byte(noise), a, []byte(noise), c)); !has(got, a) || !has(got, c) {
				t.Errorf("%s, noise %q: %v", name, noise, summary(got))
			}
		}
	}
}

func has(fs []Frame, b []byte) bool {
	for _, f := range fs {
		if f.Reading != nil && bytes.Equal(f.Bytes, b) {
			return true
		}
	}
	return false
}

// TestMemory: noise for ever, in each framing, with and without marks, keeps
// a bounded number of bytes pending.
func TestMemory(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, name := range append([]string{"idle-binary"}, streaming...) {
		d := mustLoad(t, name).NewDecoder()
		for i := range 2000 {
			b := make([]byte, 50)
			for j := range b {
				b[j] = byte(rng.IntN(256))
				if i%3 == 0 {
					b[j] = "#\x02\xA5"[i/3%3]
				}
			}
			d.Push(b, 1)
			if d.Pending() > 2*noiseRun+mostFrame || cap(d.buf) > 64<<10 || len(d.marks) > d.Pending()+1 {
				t.Fatalf("%s: %d bytes pending, room for %d, %d marks", name, d.Pending(), cap(d.buf), len(d.marks))
			}
		}
	}
}

// TestReencode: a frame that is accepted is, byte for byte, what the notes
// make of its reading.
func TestReencode(t *testing.T) {
	check := func(name string, frame []byte, encode func(r *Reading) []byte) {
		got := run(mustLoad(t, name), one(frame))
		if len(got) != 1 || got[0].Reading == nil {
			t.Fatalf("%s: %q gives %v", name, frame, summary(got))
		}
		if back := encode(got[0].Reading); !bytes.Equal(back, frame) {
			t.Errorf("%s: %q comes back as %q", name, frame, back)
		}
	}
	rng := rand.New(rand.NewPCG(5, 6))
	for range 500 {
		n, v := rng.IntN(10000), rng.IntN(100000)
		units := []quantity.Unit{quantity.NewtonMetre, quantity.PoundFoot, quantity.PoundInch}
		u := rng.IntN(3)
		check("orrin-k2", k2Frame(n, fmt.Sprintf("+%03d,%02d", v/100, v%100), []string{"NM", "FTLB", "INLB"}[u], fmt.Sprintf("%04d", n), "OK"), func(r *Reading) []byte {
			h := int(r.Value.In(units[u])*100 + 0.5)
			return k2Frame(int(*r.Counter), fmt.Sprintf("+%03d,%02d", h/100, h%100), []string{"NM", "FTLB", "INLB"}[u], fmt.Sprintf("%04d", int(r.Angle.Base()*10+0.5)), "OK")
		})
		check("velm-s5", s5Frame(n, '+', v, u+1, 0, n), func(r *Reading) []byte {
			return s5Frame(int(*r.Counter), '+', int(r.Value.In(units[u])*100+0.5), u+1, 0, int(r.DurationUs/1000))
		})
		c := int32(rng.IntN(20001) - 10000)
		check("pinn-d3", d3Frame(0, c, byte(n)), func(r *Reading) []byte {
			return d3Frame(0, int32(round(r.Value.Base()*1000)), byte(*r.FrameNumber))
		})
	}
}

func round(x float64) float64 {
	if x < 0 {
		return -round(-x)
	}
	return float64(int(x + 0.5))
}
