package main

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"witnessmark/events"
	"witnessmark/ingest"
	"witnessmark/ingest/profile"
	shipped "witnessmark/ingest/profiles"
)

// How many indicators stream, and how quickly.
const (
	indicatorStreams = 100
	indicatorRate    = 100 // samples a second
	indicatorHold    = 2 * time.Second
)

// indicators measures what a hundred streaming indicators cost: bytes to
// frames, frames to blocks of samples and settled values.
func (b *bencher) indicators(ctx context.Context) ([]benchResult, error) {
	text, err := streamingProfile()
	if err != nil {
		return nil, err
	}
	prof, err := profile.Load("bench", text)
	if err != nil {
		return nil, fmt.Errorf("load the indicators' profile: %w", err)
	}
	j := new(countingJournal)
	ends, open := indicatorLines()
	var devices []events.Device
	for i := range indicatorStreams {
		id := fmt.Sprintf("i%03d", i)
		devices = append(devices, events.Device{ID: id, Tool: id, Bench: "b", Profile: "bench", Port: id})
	}
	c, err := ingest.New(ingest.Config{Devices: devices, Journal: j, OpenPort: open, Profiles: func(string) (*profile.Profile, error) { return prof, nil }})
	if err != nil {
		return nil, err
	}
	bare, err := bareLines(ctx, b.sizes.seconds)
	if err != nil {
		return nil, err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	lines := make([]net.Conn, indicatorStreams)
	for i := range lines {
		select {
		case lines[i] = <-ends:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	used, took, err := streamIndicators(ctx, lines, b.sizes.seconds)
	stop()
	if e := <-ended; err == nil {
		err = e
	}
	if err != nil {
		return nil, err
	}
	want := int64(indicatorStreams * int(b.sizes.seconds/indicatorHold))
	samples, settled := j.samples.Load(), j.settled.Load()
	fmt.Fprintf(b.progress, "  %d samples of %d streams in %.1f s, %d settled values, %.2f s of processor\n", samples, indicatorStreams, took.Seconds(), settled, used.Seconds())
	if settled < want*9/10 || settled > want*11/10 {
		return nil, fmt.Errorf("%d values settled, about %d should have", settled, want)
	}
	all := used.Seconds() / took.Seconds()
	fmt.Fprintf(b.progress, "  %.3f cores with everything, %.3f for the lines alone\n", all, bare)
	return []benchResult{newBenchResult("a hundred indicators, bytes to settled values", "cores", all-bare, 1,
		"one core; 100 streams of 100 samples a second in real time, no disk; feeding as many lines to nobody, in the same run, is taken off", 0.10, true)}, nil
}

// bareLines measures what it costs to feed as many lines, each read by a
// goroutine that does nothing else, in cores.
func bareLines(ctx context.Context, long time.Duration) (cores float64, err error) {
	lines := make([]net.Conn, indicatorStreams)
	for i := range lines {
		tool, machine := net.Pipe()
		defer tool.Close() // ends the reader too
		lines[i] = tool
		go func() { _, _ = io.Copy(io.Discard, machine) }()
	}
	used, took, err := streamIndicators(ctx, lines, long)
	return used.Seconds() / took.Seconds(), err
}

// streamingProfile is the shipped one of an indicator that is polled, without
// the asking: its tool sends by itself.
func streamingProfile() ([]byte, error) {
	b, err := shipped.Files.ReadFile("pinn-d3.yaml")
	if err != nil {
		return nil, err
	}
	var lines []string
	for _, l := range strings.Split(string(b), "\n") {
		switch {
		case strings.HasPrefix(l, "acquire:"):
			lines = append(lines, `acquire: {by: stream, start: "S\r", stop: "Q\r", rate: 100}`)
		case strings.HasPrefix(l, "profile:"):
			lines = append(lines, "profile: bench")
		default:
			lines = append(lines, l)
		}
	}
	return []byte(strings.Join(lines, "\n")), nil
}

// indicatorLines gives each port that is opened one end of a pipe, and the
// other to whoever feeds it.
func indicatorLines() (ends chan net.Conn, open func(string, profile.Line) (ingest.Port, error)) {
	ends = make(chan net.Conn, indicatorStreams)
	return ends, func(string, profile.Line) (ingest.Port, error) {
		tool, machine := net.Pipe()
		go func() { _, _ = io.Copy(io.Discard, tool) }() // it heeds no command; ends with the pipe
		ends <- tool
		return machine, nil
	}
}

// streamIndicators feeds all lines in real time for so long and returns the
// time of the processor and of the wall. The value of each stands still for
// two seconds, flickering by a step, and then goes elsewhere.
func streamIndicators(ctx context.Context, lines []net.Conn, long time.Duration) (used, took time.Duration, err error) {
	tick := time.NewTicker(time.Second / indicatorRate)
	defer tick.Stop()
	frame := make([]byte, 8)
	before, start := processorTime(), time.Now()
	for n := 0; time.Duration(n)*time.Second/indicatorRate < long; n++ {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return 0, 0, ctx.Err()
		}
		for i, l := range lines {
			place := (n/(indicatorRate*int(indicatorHold/time.Second)) + i) % 2
			indicatorFrame(frame, int32(1000+200*place+n*7%2), byte(n))
			if _, err := l.Write(frame); err != nil {
				return 0, 0, fmt.Errorf("feed indicator %d: %w", i, err)
			}
		}
	}
	return processorTime() - before, time.Since(start), nil
}

// indicatorFrame writes one frame of a Pinn D3 (invented), see pinn-d3.md.
func indicatorFrame(b []byte, counts int32, number byte) {
	b[0], b[1], b[6], b[7] = 0xA5, 0, number, 0
	binary.BigEndian.PutUint32(b[2:], uint32(counts))
	for _, c := range b[:7] {
		b[7] ^= c
	}
}

// processorTime is what this process has used of all processors.
func processorTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// countingJournal counts what it is given and keeps nothing.
type countingJournal struct{ samples, settled atomic.Int64 }

func (j *countingJournal) Append(_ context.Context, evs ...events.Event) ([]uint64, error) {
	for i := range evs {
		switch d := evs[i].Data.(type) {
		case events.SamplesCaptured:
			j.samples.Add(int64(len(d.Values)))
		case events.ReadingTaken:
			j.settled.Add(1)
		}
	}
	return make([]uint64, len(evs)), nil
}

func (j *countingJournal) LastOf(context.Context, string) (events.Entry, bool, error) {
	return events.Entry{}, false, nil
}
