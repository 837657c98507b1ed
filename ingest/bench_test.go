package ingest

import (
	"bytes"
	"context"
	"io"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/ingest/profile"
)

// tape is a port that gives its bytes in pieces and then hangs up.
type tape struct {
	r     *bytes.Reader
	piece int
}

func (p *tape) Read(b []byte) (int, error) {
	if p.r.Len() == 0 {
		return 0, io.EOF
	}
	return p.r.Read(b[:min(len(b), p.piece)])
}
func (p *tape) Write(b []byte) (int, error)      { return len(b), nil }
func (p *tape) Close() error                     { return nil }
func (p *tape) SetReadDeadline(time.Time) error  { return nil }
func (p *tape) SetWriteDeadline(time.Time) error { return nil }

// sink counts what it is given and stores nothing.
type sink struct {
	mu       sync.Mutex
	readings int
	appends  int
	want     int
	done     chan struct{}
}

func (s *sink) Append(_ context.Context, evs ...events.Event) ([]uint64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.appends++
	for i := range evs {
		if _, ok := evs[i].Data.(events.ReadingTaken); ok {
			if s.readings++; s.readings == s.want {
				close(s.done)
			}
		}
	}
	return nil, nil
}
func (s *sink) LastOf(context.Context, string) (events.Entry, bool, error) {
	return events.Entry{}, false, nil
}

// BenchmarkCapture is one device, bytes to Append and answer, without a line
// and without a disk: what the machinery itself can do.
func BenchmarkCapture(b *testing.B) {
	for _, size := range []struct {
		name  string
		piece int
	}{{"one_by_one", 28}, {"as_they_queue", readSize}} {
		b.Run(size.name, func(b *testing.B) {
			frames := slices.Concat(func() (all [][]byte) {
				for i := range b.N {
					all = append(all, velm(i%1_000_000, 3525))
				}
				return all
			}()...)
			s := &sink{want: b.N, done: make(chan struct{})}
			once := make(chan Port, 1)
			once <- &tape{bytes.NewReader(frames), size.piece}
			c, err := New(Config{
				Devices: []events.Device{{ID: "d1", Tool: "t1", Bench: "b1", Profile: "velm-s5", Port: "tape"}}, Journal: s,
				OpenPort: func(string, profile.Line) (Port, error) {
					select {
					case p := <-once:
						return p, nil
					default:
						return nil, os.ErrNotExist
					}
				},
			})
			if err != nil {
				b.Fatal(err)
			}
			ctx, cancel := context.WithCancel(b.Context())
			ended := make(chan error, 1)
			b.ReportAllocs()
			b.ResetTimer()
			go func() { ended <- c.Run(ctx) }()
			<-s.done
			b.StopTimer()
			cancel()
			if err := <-ended; err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
			b.ReportMetric(float64(b.N)/float64(s.appends), "readings/append")
		})
	}
}

// stamps notes when each Append began.
type stamps struct {
	sink
	at chan time.Time
}

func (s *stamps) Append(ctx context.Context, evs ...events.Event) ([]uint64, error) {
	now := time.Now()
	for i := range evs {
		if _, ok := evs[i].Data.(events.ReadingTaken); ok {
			s.at <- now
		}
	}
	return nil, nil
}

// BenchmarkLastByteToAppend is the way of one reading over a real
// pseudo-terminal, until Append is called, one at a time.
func BenchmarkLastByteToAppend(b *testing.B) {
	tool, name := newPTY(b)
	s := &stamps{at: make(chan time.Time, 1)}
	capture(b, s, events.Device{ID: "d1", Tool: "t1", Bench: "b1", Profile: "orrin-k2", Port: name})
	put(b, tool, orrin(0, "026,00"))
	<-s.at
	took := make([]time.Duration, 0, b.N)
	for i := range b.N {
		f := orrin((i+1)%10000, "026,00")
		sent := time.Now()
		put(b, tool, f)
		took = append(took, (<-s.at).Sub(sent))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds()), "p50-us")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "p99-us")
}
