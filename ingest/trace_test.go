package ingest

import (
	"bytes"
	"encoding/binary"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
)

// tarnFrame builds a frame by the T9's note: mark, length, content, CRC.
func tarnFrame(content []byte) []byte {
	b := binary.LittleEndian.AppendUint16(nil, uint16(len(content)))
	b = append(b, content...)
	return binary.LittleEndian.AppendUint16(append([]byte{0xC5, 0x3A}, b...), modbusOf(b))
}

func modbusOf(b []byte) uint16 {
	c := uint16(0xFFFF)
	for _, x := range b {
		c ^= uint16(x)
		for range 8 {
			low := c & 1
			if c >>= 1; low == 1 {
				c ^= 0xA001
			}
		}
	}
	return c
}

// tarn is a pull and its trace in blocks: torque rises by 0.02, the angle by
// 0.1° a sample.
func tarn(number uint16, unit byte, samples int) (summary []byte, blocks [][]byte) {
	le := binary.LittleEndian
	s := le.AppendUint32(le.AppendUint16([]byte{'P'}, number), 3525)
	s = le.AppendUint16(le.AppendUint16(append(s, unit, 0), 412), 840)
	summary = tarnFrame(le.AppendUint16(s, uint16(samples)))
	for first := 0; first < samples; first += 240 {
		b := le.AppendUint16(le.AppendUint16(le.AppendUint16([]byte{'S'}, number), uint16(first)), 1000)
		for i := first; i < min(first+240, samples); i++ {
			b = le.AppendUint16(le.AppendUint16(b, uint16(i)), uint16(i))
		}
		blocks = append(blocks, tarnFrame(b))
	}
	return summary, blocks
}

// A reading and its trace are one event, and the answer comes after it.
func TestTraceIsOneEventWithItsReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "tarn-t9", nil)
		line := <-r.lines
		heard := hear(line)
		summary, blocks := tarn(7, 'n', 300)
		r.send(line, summary, blocks[0], []byte{0, 1, 2})
		if len(of[events.ReadingTaken](b)) != 0 || heard() != "" {
			t.Fatal("the reading went, or was answered, before its trace was whole")
		}
		r.send(line, blocks[1])
		rs := of[events.ReadingTaken](b)
		if len(rs) != 1 || rs[0].Trace == nil || len(rs[0].Trace.Torque) != 300 || len(rs[0].Trace.Angle) != 300 {
			t.Fatalf("readings %+v", rs)
		}
		got, last := rs[0].Trace, 299
		if got.PeriodUs != 1000 || got.Torque[last] != 5.98 || got.Angle[last] != 29.9 {
			t.Errorf("period %d, last sample %v at %v; want 1000, 5.98 at 29.9", got.PeriodUs, got.Torque[last], got.Angle[last])
		}
		if want := slices.Concat(summary, blocks[0], blocks[1]); !bytes.Equal(rs[0].Bytes, want) {
			t.Error("the reading has not the bytes of summary and blocks")
		}
		if heard() != "K00007\n" {
			t.Errorf("answer %q", heard())
		}
		if rf := of[events.FrameRefused](b); len(rf) != 1 || rf[0].Reason != "noise" || len(rf[0].Bytes) != 3 {
			t.Errorf("refused %+v, want three bytes of noise", rf)
		}
		// The answer was lost: all comes again, also after a restart.
		for range 2 {
			r.send(line, summary, blocks[0], blocks[1])
			line.Close()
			r.stop()
			r = newRig(t, b, "tarn-t9", nil)
			line = <-r.lines
			hear(line)
		}
		if rep := of[events.FrameRepeated](b); len(rep) != 2 || len(of[events.ReadingTaken](b)) != 1 {
			t.Errorf("%d repeats of %d readings, want 2 of 1", len(rep), len(of[events.ReadingTaken](b)))
		}
		line.Close()
		r.stop()
		inOrder(t, b)
	})
}

// A trace that is broken costs the trace, never the reading nor a byte.
func TestBrokenTrace(t *testing.T) {
	summary, blocks := tarn(7, 'n', 600)
	other, _ := tarn(8, 'n', 0)
	foreign, foreignBlocks := tarn(9, 'n', 240)
	_ = foreign
	bad := bytes.Clone(blocks[1])
	bad[20] ^= 1
	for name, c := range map[string]struct {
		in       [][]byte
		wait     time.Duration
		readings []string
		refused  []string
	}{
		"silence":          {[][]byte{summary, blocks[0]}, 2100 * time.Millisecond, []string{"35.25"}, []string{"trace"}},
		"not yet":          {[][]byte{summary, blocks[0]}, 1900 * time.Millisecond, nil, nil},
		"block damaged":    {[][]byte{summary, blocks[0], bad, blocks[2]}, 0, []string{"35.25"}, []string{"checksum", "trace", "trace"}},
		"block twice":      {[][]byte{summary, blocks[0], blocks[0]}, 0, []string{"35.25"}, []string{"trace", "trace"}},
		"another reading":  {[][]byte{summary, blocks[0], other}, 0, []string{"35.25", "35.25"}, []string{"trace"}},
		"another's block":  {[][]byte{summary, foreignBlocks[0]}, 0, []string{"35.25"}, []string{"trace"}},
		"block of nothing": {[][]byte{blocks[0]}, 0, nil, []string{"trace"}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBook()
				r := newRig(t, b, "tarn-t9", nil)
				line := <-r.lines
				heard := hear(line)
				r.send(line, c.in...)
				pass(c.wait)
				rs := of[events.ReadingTaken](b)
				var refused []string
				total := 0
				for _, f := range of[events.FrameRefused](b) {
					refused = append(refused, f.Reason)
					total += len(f.Bytes)
				}
				for _, x := range rs {
					total += len(x.Bytes)
					if x.Trace != nil {
						t.Error("a broken trace was taken")
					}
				}
				if d := cmp.Diff(c.readings, texts(rs)); d != "" {
					t.Errorf("readings (-want +got):\n%s", d)
				}
				if d := cmp.Diff(c.refused, refused); d != "" {
					t.Errorf("refused (-want +got):\n%s", d)
				}
				if n := len(bytes.Join(c.in, nil)); c.readings != nil && total != n {
					t.Errorf("%d of %d bytes are in events", total, n)
				}
				if got := len(heard()); got != 7*len(c.readings) {
					t.Errorf("answers %q for %d readings", heard(), len(c.readings))
				}
				line.Close()
				r.stop()
				inOrder(t, b)
			})
		})
	}
}

// The journal's messages hold 1 MB: the greatest trace must fit well.
func TestGreatestTraceFits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, unit := range []byte{'n', 'f'} {
			b := newBook()
			r := newRig(t, b, "tarn-t9", nil)
			line := <-r.lines
			hear(line)
			summary, blocks := tarn(7, unit, 5000)
			r.send(line, append([][]byte{summary}, blocks...)...)
			rs := of[events.ReadingTaken](b)
			if len(rs) != 1 || rs[0].Trace == nil || len(rs[0].Trace.Torque) != 5000 {
				t.Fatalf("unit %c: no trace of 5000 samples", unit)
			}
			_, data, err := events.Encode(rs[0])
			t.Logf("unit %c: 5000 samples are an event of %d bytes", unit, len(data))
			if err != nil || len(data) > 200_000 {
				t.Errorf("an event of %d bytes, %v; want 200,000 at most", len(data), err)
			}
			line.Close()
			r.stop()
		}
	})
}
