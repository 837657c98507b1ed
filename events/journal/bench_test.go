package journal

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// reading is an invented reading of about 450 bytes of JSON.
func reading(i int) events.ReadingTaken {
	n := uint64(i)
	return events.ReadingTaken{
		Device: "w1", Tool: "tw-60", Bench: "b1", Mode: events.ModePeak,
		Text: "35.30", Unit: "N.m", Value: quantity.NewtonMetres(35.3).Value(),
		Resolution: quantity.NewtonMetres(0.01).Value(), ToolCounter: &n, ToolStatus: "ok",
		ReceivedAtUs: events.Instant(1_760_000_000_000_000 + int64(i)*1000),
		Profile:      "pinn-d3/1a2b3c4d", Bytes: []byte("\x02P,0017,35.30,Nm,OK,4F\x03\r\n"), Offset: n * 25,
	}
}

func readingEvent(source string, i int) events.Event {
	d := reading(i)
	return events.Event{Source: source, Time: d.ReceivedAtUs, Subject: d.Tool, Data: d}
}

func openBench(b *testing.B) *Journal {
	b.Helper()
	j, err := Open(context.Background(), Config{Shop: "bench", Dir: b.TempDir()})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { j.Close() })
	return j
}

func BenchmarkAppendSingle(b *testing.B) {
	j := openBench(b)
	ctx := context.Background()
	i := 0
	for b.Loop() {
		if _, err := j.Append(ctx, readingEvent("device/w1", i)); err != nil {
			b.Fatal(err)
		}
		i++
	}
}

// BenchmarkBareSingle publishes the same payload without this package.
func BenchmarkBareSingle(b *testing.B) {
	j := openBench(b)
	_, payload, _ := events.Encode(reading(1))
	ctx := context.Background()
	for b.Loop() {
		if _, err := j.session.js.Publish(ctx, "wm.bench.ev.device.w1", payload); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAppendMany(b *testing.B) {
	for _, size := range []int{10, 100, 1000} {
		b.Run(fmt.Sprint(size), func(b *testing.B) {
			j := openBench(b)
			ctx := context.Background()
			for b.Loop() {
				evs := make([]events.Event, size)
				for i := range evs {
					evs[i] = readingEvent("device/w1", i)
				}
				if _, err := j.Append(ctx, evs...); err != nil {
					b.Fatal(err)
				}
			}
			perSecond(b, size)
		})
	}
}

// BenchmarkAppendCallers is many callers with one event each.
func BenchmarkAppendCallers(b *testing.B) {
	for _, callers := range []int{4, 16, 64, 512} {
		b.Run(fmt.Sprint(callers), func(b *testing.B) {
			j := openBench(b)
			b.SetParallelism(callers / 2)
			b.RunParallel(func(pb *testing.PB) {
				for i := 0; pb.Next(); i++ {
					if _, err := j.Append(context.Background(), readingEvent("device/w1", i)); err != nil {
						b.Error(err)
					}
				}
			})
			perSecond(b, 1)
		})
	}
}

func perSecond(b *testing.B, events int) {
	b.ReportMetric(float64(b.N*events)/b.Elapsed().Seconds(), "events/s")
}

// BenchmarkPublish compares the three ways of publishing n messages.
func BenchmarkPublish(b *testing.B) {
	for _, n := range []int{2, 4, 8, 12, 16, 24, 100, 1000} {
		for _, way := range []string{"few", "batch", "raw"} {
			if way == "few" && n > 24 {
				continue
			}
			b.Run(fmt.Sprintf("%s/%d", way, n), func(b *testing.B) {
				j := openBench(b)
				s := j.session
				_, payload, _ := events.Encode(reading(1))
				e := readingEvent("device/w1", 1)
				e.Number = 1
				base := uint64(0)
				for b.Loop() {
					msgs := make([]*nats.Msg, n)
					for i := range msgs {
						msgs[i] = &nats.Msg{Subject: "wm.bench.ev.device.w1", Header: j.names.headers(&e, "witnessmark.reading.taken.v2"), Data: payload}
					}
					var err error
					switch way {
					case "few":
						base, err = s.publishFew(context.Background(), msgs, base)
					case "batch":
						var pre *staged
						if pre, err = s.stage(msgs, base); err == nil {
							ack, cerr := pre.batch.CommitMsg(context.Background(), pre.last)
							if err = cerr; err == nil {
								base = ack.Sequence
							}
						}
					case "raw":
						base, err = rawBatch(s.nc, msgs, base)
					}
					if err != nil {
						b.Fatal(err)
					}
				}
				perSecond(b, n)
			})
		}
	}
}

// rawBatch publishes an atomic batch by plain headers, to compare.
func rawBatch(nc *nats.Conn, msgs []*nats.Msg, base uint64) (uint64, error) {
	id := nats.NewInbox()[7:]
	for i, m := range msgs {
		m.Header["Nats-Batch-Id"] = []string{id}
		m.Header["Nats-Batch-Sequence"] = []string{fmt.Sprint(i + 1)}
		if i == 0 {
			m.Header["Nats-Expected-Last-Sequence"] = []string{fmt.Sprint(base)}
		}
		if i < len(msgs)-1 {
			if err := nc.PublishMsg(m); err != nil {
				return 0, err
			}
			continue
		}
		m.Header["Nats-Batch-Commit"] = []string{"1"}
		a, err := nc.RequestMsg(m, 5*time.Second)
		if err != nil {
			return 0, err
		}
		if len(a.Data) == 0 || !contains(a.Data, `"count":`) {
			return 0, fmt.Errorf("batch: %s", a.Data)
		}
	}
	return base + uint64(len(msgs)), nil
}

func contains(b []byte, s string) bool {
	for i := 0; i+len(s) <= len(b); i++ {
		if string(b[i:i+len(s)]) == s {
			return true
		}
	}
	return false
}

const benchEntries = 100_000

func fillBench(b *testing.B, j *Journal, n int) {
	for i := 0; i < n; i += 1000 {
		evs := make([]events.Event, 1000)
		for k := range evs {
			evs[k] = readingEvent("device/w1", i+k)
		}
		if _, err := j.Append(context.Background(), evs...); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkRead(b *testing.B) {
	j := openBench(b)
	fillBench(b, j, benchEntries)
	for b.Loop() {
		n := 0
		err := j.Read(context.Background(), 1, 0, func(e []events.Entry) error { n += len(e); return nil })
		if err != nil || n != benchEntries {
			b.Fatal(n, err)
		}
	}
	perSecond(b, benchEntries)
}

// BenchmarkReadBare takes the messages from an ordered consumer and decodes
// nothing.
func BenchmarkReadBare(b *testing.B) {
	j := openBench(b)
	fillBench(b, j, benchEntries)
	for b.Loop() {
		n := 0
		err := j.session.each(context.Background(), 1, benchEntries, "", func(jetstream.Msg) bool { n++; return true })
		if err != nil || n != benchEntries {
			b.Fatal(n, err)
		}
	}
	perSecond(b, benchEntries)
}

// BenchmarkDecode is the cost of decoding alone, on one core.
func BenchmarkDecode(b *testing.B) {
	n := naming{"bench"}
	e := readingEvent("device/w1", 1)
	e.Number = 1
	m, _ := n.prepare(&e)
	h := n.headers(&e, m.typ)
	for b.Loop() {
		if _, err := n.entry(1, h, m.payload); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkWake is the time from the return of Append to the follower's fn.
func BenchmarkWake(b *testing.B) {
	j := openBench(b)
	ctx, cancel := context.WithCancel(context.Background())
	got := make(chan time.Time, 1)
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = j.Follow(ctx, 1, func([]events.Entry) error { got <- time.Now(); return nil })
	}()
	var sum time.Duration
	i := 0
	for b.Loop() {
		if _, err := j.Append(ctx, readingEvent("device/w1", i)); err != nil {
			b.Fatal(err)
		}
		acked := time.Now()
		sum += max(0, (<-got).Sub(acked))
		i++
	}
	b.ReportMetric(float64(sum.Nanoseconds())/float64(i), "ns/wake")
	cancel()
	<-done
}
