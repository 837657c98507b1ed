package profile

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/ingest/profiles"
)

// fuzzDecoder fuzzes one profile. Any bytes, cut at any place: no panic, each
// byte in exactly one frame, and the cut changes nothing.
func fuzzDecoder(f *testing.F, name string) {
	for _, c := range streamCases() {
		if c.profile != name {
			continue
		}
		var b []byte
		for _, x := range c.in {
			b = append(b, x.b...)
		}
		f.Add(b, uint16(len(b)/2))
	}
	p := mustLoad(f, name)
	f.Fuzz(func(t *testing.T, b []byte, cut uint16) {
		at := min(int(cut), len(b))
		pieces := []chunk{{b[:at], 1}, {b[at:], 1}}
		got := run(p, pieces)
		whole(t, pieces, got)
		var single []chunk
		for i := range b {
			single = append(single, chunk{b[i : i+1], 1})
		}
		if diff := cmp.Diff(run(p, single), got, exact); diff != "" {
			t.Errorf("(-byte by byte +in two)\n%s", diff)
		}
		for _, x := range got {
			if x.Reading != nil && x.Reading.Kind != Part && !x.Reading.Value.Finite() {
				t.Errorf("%X: value %v", x.Bytes, x.Reading.Value)
			}
		}
	})
}

func FuzzDecoderLine(f *testing.F)      { fuzzDecoder(f, "orrin-k2") }
func FuzzDecoderPlainLine(f *testing.F) { fuzzDecoder(f, "plain-line") }
func FuzzDecoderSTX(f *testing.F)       { fuzzDecoder(f, "velm-s5") }
func FuzzDecoderFixed(f *testing.F)     { fuzzDecoder(f, "pinn-d3") }
func FuzzDecoderCounted(f *testing.F)   { fuzzDecoder(f, "tarn-t9") }
func FuzzDecoderBare(f *testing.F)      { fuzzDecoder(f, "fixed-bare") }

// FuzzDecoderIdle also fuzzes the times: gap bit i says whether a gap comes
// before byte i (modulo 64).
func FuzzDecoderIdle(f *testing.F) {
	f.Add(append(good("idle-binary", 1), good("idle-binary", 2)...), uint64(1<<8))
	p := mustLoad(f, "idle-binary")
	f.Fuzz(func(t *testing.T, b []byte, gaps uint64) {
		var single, runs []chunk
		at := events.Instant(0)
		for i := range b {
			if gaps>>(i%64)&1 == 1 {
				at += 20_000
			}
			single = append(single, chunk{b[i : i+1], at})
			if n := len(runs); n > 0 && runs[n-1].at == at {
				runs[n-1].b = b[i-len(runs[n-1].b) : i+1]
			} else {
				runs = append(runs, chunk{b[i : i+1], at})
			}
		}
		got := run(p, single)
		whole(t, single, got)
		if diff := cmp.Diff(run(p, runs), got, exact); diff != "" {
			t.Errorf("(-runs +byte by byte)\n%s", diff)
		}
	})
}

// FuzzLoadProfile: any text is a profile or gives problems, never a panic;
// and a profile that was loaded decodes anything without one.
func FuzzLoadProfile(f *testing.F) {
	for _, name := range Shipped() {
		text, err := profiles.Files.ReadFile(name + ".yaml")
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	for _, text := range []string{plainLine, idleBinary, fixedBare, stxTail, "a: &a [*a]", "{}", "? [a]: b"} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := Load("fuzz.yaml", text)
		if (p == nil) == (err == nil) {
			t.Fatalf("profile %v, error %v", p, err)
		}
		if err != nil {
			_ = err.Error()
			return
		}
		in := one([]byte("#1;+2,0\r\n\x02T0000001\x03\xA5\x00\x00\x00\x00\x97\x07\x35"), text[:min(len(text), 200)])
		whole(t, in, run(p, in))
	})
}

// BenchmarkDecode measures good frames that come in reads of 4 kB.
func BenchmarkDecode(b *testing.B) {
	for _, name := range streaming {
		p := mustLoad(b, name)
		var block []byte
		frames := 0
		for len(block) < 4096 {
			block = append(block, good(name, frames%100)...)
			frames++
		}
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(block)))
			b.ReportAllocs()
			d := p.NewDecoder()
			for b.Loop() {
				if got := d.Push(block, 1); len(got) != frames {
					b.Fatalf("%d frames, want %d", len(got), frames)
				}
			}
			b.ReportMetric(float64(frames)*float64(b.N)/b.Elapsed().Seconds(), "frames/s")
		})
	}
}

// BenchmarkNoise measures bytes that are no frames.
func BenchmarkNoise(b *testing.B) {
	for _, name := range append([]string{"idle-binary"}, streaming...) {
		block := make([]byte, 4096)
		x := uint32(1)
		for i := range block {
			x = x*1664525 + 1013904223
			block[i] = byte(x >> 24)
		}
		p := mustLoad(b, name)
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(block)))
			d := p.NewDecoder()
			n := 0
			for b.Loop() {
				n += len(d.Push(block, 1))
			}
			_ = fmt.Sprint(n)
		})
	}
}

// BenchmarkTrace measures a pull with 1,000 samples: decoding its frames and
// putting the trace together.
func BenchmarkTrace(b *testing.B) {
	p := mustLoad(b, "tarn-t9")
	line := t9Pull(1, 3525, 'f', 0, 412, 840, 1000)
	for first := 0; first < 1000; first += 200 {
		figures := make([]int16, 400)
		for i := range figures {
			figures[i] = int16(first + i/2)
		}
		line = append(line, t9Block(1, first, 1000, figures...)...)
	}
	b.SetBytes(int64(len(line)))
	d := p.NewDecoder()
	for b.Loop() {
		fs := d.Push(line, 1)
		var blocks []*Block
		for _, f := range fs[1:] {
			blocks = append(blocks, f.Reading.Block)
		}
		if got := p.Trace(fs[0].Reading, blocks); len(got.Torque) != 1000 {
			b.Fatalf("%d samples, want 1000", len(got.Torque))
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1000, "ns/sample")
}
