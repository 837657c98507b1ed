package simulator

import (
	"bytes"
	"math/bits"
	"testing"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestFramesAreThoseOfTheNotes(t *testing.T) {
	for _, c := range []struct {
		name      string
		got, want []byte
	}{
		// The bytes between # and * add up to 1626, by another program (Python);
		// 1626 - 6 × 256 = 90 = 0x5A.
		{"K2", k2Frame(42, "26.00", "FTLB", 155, "OK"), []byte("#0042;P;+026,00;FTLB;A0155;OK*5A\r\n")},
		// CRC 6051 by another program (Python).
		{"S5", s5Frame(317, '+', "35.25", "1", '0', 840), []byte("\x02T000317+00035251000840" + "6051\x03")},
		// -150 is FFFFFF6A; A5^00^FF^FF^FF = 5A, ^6A = 30, ^07 = 37, by hand.
		{"D3", d3Frame(0, -150, 7), []byte{0xA5, 0x00, 0xFF, 0xFF, 0xFF, 0x6A, 0x07, 0x37}},
		// The exclusive or of the bytes between < and > is 0D, by another program
		// (Python).
		{"F2", f2Frame(12340, 5.21, "KN", "OK"), []byte("<00012340;+005.21;KN;OK>0D\r\n")},
		// The worked example of its notes: the sum is 1,574, 1,574 mod 256 = 38.
		{"P8", p8Frame(12340, 5.21, "KN", 12.345), []byte("%00012340 +05.210KN +012.345MM 0 26\r\n")},
	} {
		if !bytes.Equal(c.got, c.want) {
			t.Errorf("%s:\n got %q\nwant %q", c.name, c.got, c.want)
		}
	}
	if got := k2Frame(7, "312.00", "INLB", -1, "BATT"); !bytes.HasPrefix(got, []byte("#0007;P;+312,00;INLB;A----;BATT*")) {
		t.Errorf("K2 without an angle: %q", got)
	}
	if got := k2Frame(7, "1200.00", "INLB", 12345, "OK"); !bytes.Contains(got, []byte(";+1200,00;INLB;A9999;")) {
		t.Errorf("K2 beyond its width: %q", got)
	}
}

// The check value of CRC-16/MODBUS over "123456789" is 4B37 (catalogue of
// parametrised CRC algorithms, from memory).
func TestModbusCheckValue(t *testing.T) {
	if got := modbus([]byte("123456789")); got != 0x4B37 {
		t.Errorf("got %04X, want 4B37", got)
	}
}

// The same CRC another way: not reflected, polynomial 8005, the bits of each
// byte and of the result turned round.
func FuzzModbus(f *testing.F) {
	f.Add([]byte("T000317+00035251000840"))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		crc := uint16(0xFFFF)
		for _, c := range b {
			crc ^= uint16(bits.Reverse8(c)) << 8
			for range 8 {
				if crc&0x8000 != 0 {
					crc = crc<<1 ^ 0x8005
				} else {
					crc <<= 1
				}
			}
		}
		if got, want := modbus(b), bits.Reverse16(crc); got != want {
			t.Errorf("% X: got %04X, want %04X", b, got, want)
		}
	})
}

// A damaged frame must never pass its own check.
func TestGarbledFrameCannotPass(t *testing.T) {
	d, err := NewDevice(ToolSpec{ID: "k", Model: OrrinK2}, &tape{}, WallClock(0), 1)
	if err != nil {
		t.Fatal(err)
	}
	b := d.(*k2).body
	for _, frame := range [][]byte{k2Frame(42, "26.00", "FTLB", 155, "OK"), s5Frame(317, '+', "35.25", "1", '0', 840), d3Frame(0, 150, 7)} {
		for range 500 {
			bad := b.garble(frame)
			diff := 0
			for i := range bad {
				if bad[i] != frame[i] {
					diff++
				}
			}
			if diff != 1 || bad[0] != frame[0] || bad[len(bad)-1] != frame[len(frame)-1] {
				t.Fatalf("%q became %q", frame, bad)
			}
		}
	}
}
