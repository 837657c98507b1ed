package main

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/ingest/port"
	"witnessmark/simulator"
)

// latencyRound is how many readings go one way before the other has its turn,
// so that both meet the same disk and the same load.
const latencyRound = benchPulls

// latency measures from the last byte on the line to the verdict in a client,
// one reading at a time, beside the bare floor.
func (b *bencher) latency(ctx context.Context) ([]benchResult, error) {
	whole, err := b.openWholeChain(ctx)
	if err != nil {
		return nil, err
	}
	defer whole.close()
	bare, err := b.openBareChain(ctx)
	if err != nil {
		return nil, err
	}
	defer bare.close()
	var ours, marks, theirs []time.Duration
	for n := 0; n < b.sizes.latency+latencyRound; n += latencyRound {
		w, m, err := whole.round(ctx, latencyRound)
		if err != nil {
			return nil, err
		}
		f, err := bare.round(latencyRound)
		if err != nil {
			return nil, err
		}
		if n > 0 { // the first round warms both
			ours, marks, theirs = append(ours, w...), append(marks, m...), append(theirs, f...)
		}
	}
	what := "pseudo-terminal, the same serial reader, one synced bare publish, one write to a live stream, its client"
	return []benchResult{
		newBenchResult("last byte to verdict in a client, p50", "ms", quantile(ours, 0.5), quantile(theirs, 0.5), what, 2, true),
		newBenchResult("last byte to verdict in a client, p99", "ms", quantile(ours, 0.99), quantile(theirs, 0.99), what, 2, true),
		newBenchResult("last byte to the mark on the fastener, p50", "ms", quantile(marks, 0.5), quantile(theirs, 0.5), what+"; the mark waits for a second sync", 3, true),
		newBenchResult("last byte to the mark on the fastener, p99", "ms", quantile(marks, 0.99), quantile(theirs, 0.99), what+"; the mark waits for a second sync", 3, true),
	}, nil
}

// chain is a tool's line at one end and a live client at the other.
type chain struct {
	line    *simulator.Line
	client  *http.Response
	lines   *bufio.Reader
	counter int
}

// reading sends one frame and waits for the messages about it in the client:
// the first that has the reading, and the first after which all is shown.
func (c *chain) reading(whole string) (first, all time.Duration, err error) {
	frame := benchFrame(c.counter)
	want := benchText(c.counter)
	c.counter++
	start := time.Now()
	if _, err := c.line.Write(frame); err != nil {
		return 0, 0, err
	}
	for {
		kind, err := c.message(want)
		if err != nil {
			return 0, 0, err
		}
		all = time.Since(start)
		if first == 0 {
			first = all
		}
		if kind == whole {
			return first, all, nil
		}
	}
}

// message waits for the next message whose data has a text in it, and returns
// its kind. The text of one reading differs from that of the next.
func (c *chain) message(want string) (kind string, err error) {
	for {
		text, err := c.lines.ReadString('\n')
		if err != nil {
			return "", fmt.Errorf("read live stream: %w", err)
		}
		if k, ok := strings.CutPrefix(text, "event: "); ok {
			kind = strings.TrimSpace(k)
		}
		if strings.HasPrefix(text, "data:") && strings.Contains(text, want) {
			return kind, nil
		}
	}
}

func (c *chain) listen(ctx context.Context, url string) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return err
	}
	if c.client, err = http.DefaultClient.Do(req); err != nil {
		return fmt.Errorf("open live stream: %w", err)
	}
	if c.client.StatusCode != http.StatusOK {
		return fmt.Errorf("open live stream: %s", c.client.Status)
	}
	c.lines = bufio.NewReader(c.client.Body)
	return nil
}

func (c *chain) closeChain() {
	if c.client != nil {
		_ = c.client.Body.Close() // a stream that is read no more
	}
	_ = c.line.Close() // nothing is lost: an emulated line
}

// wholeChain is the whole service.
type wholeChain struct {
	chain
	*benchStack
}

func (b *bencher) openWholeChain(ctx context.Context) (*wholeChain, error) {
	line, err := simulator.OpenLine(filepath.Join(b.dir, "line-whole"))
	if err != nil {
		return nil, err
	}
	w := &wholeChain{chain: chain{line: line}}
	if w.benchStack, err = b.openBenchStack(ctx, "latency", 1, line.Path()); err != nil {
		return nil, err
	}
	return w, linked(w.capture.Status, true)(ctx, w.shop.Tools[0].ID)
}

// round opens a job, sends its readings one at a time, and releases it.
func (w *wholeChain) round(ctx context.Context, n int) (verdicts, marks []time.Duration, err error) {
	id, err := w.openJob(ctx, 0)
	if err != nil {
		return nil, nil, err
	}
	if err := w.listen(ctx, w.url()+"/live?bench="+w.shop.Benches[0].ID); err != nil {
		return nil, nil, err
	}
	defer w.client.Body.Close()
	before := w.decided[0].Load()
	for range n {
		v, m, err := w.reading("patch")
		if err != nil {
			return nil, nil, err
		}
		verdicts, marks = append(verdicts, v), append(marks, m)
	}
	if err := w.waitDecided(ctx, 0, before+int64(n)); err != nil {
		return nil, nil, err
	}
	return verdicts, marks, w.ask(ctx, events.ReleaseAsked{Ask: events.Ask{By: "lead"}, Job: id})
}

func (w *wholeChain) close() {
	w.closeChain()
	_ = w.stop() // measured already
}

// bareChain is the floor: pty, serial reader, one synced publish, SSE write.
type bareChain struct {
	chain
	floor  *floor
	server *http.Server
	port   *port.Port
}

func (b *bencher) openBareChain(ctx context.Context) (*bareChain, error) {
	line, err := simulator.OpenLine(filepath.Join(b.dir, "line-bare"))
	if err != nil {
		return nil, err
	}
	c := &bareChain{chain: chain{line: line}}
	if c.floor, err = b.openFloor(ctx, "floor-latency"); err != nil {
		return nil, err
	}
	if c.port, err = port.Open(line.Path(), port.Line{Baud: 9600}); err != nil {
		return nil, err
	}
	stored := make(chan []byte)
	go c.store(ctx, stored)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	c.server = &http.Server{ReadHeaderTimeout: time.Second, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		bareStream(w, r, stored)
	})}
	go func() { _ = c.server.Serve(l) }() // ends by close
	return c, c.listen(ctx, "http://"+l.Addr().String()+"/")
}

// store reads lines from the port, publishes each synced, and hands it on.
func (c *bareChain) store(ctx context.Context, stored chan<- []byte) {
	for r, n := bufio.NewReader(c.port), 0; ; n++ {
		data, err := benchPayload(n)
		if err != nil {
			return
		}
		if _, err := r.ReadBytes('\n'); err != nil {
			return
		}
		if _, err := c.floor.js.Publish(ctx, floorSubject, data); err != nil {
			return
		}
		stored <- data
	}
}

// benchReading is reading n as the service would store it.
func benchReading(n int) events.ReadingTaken {
	counter := uint64(n)
	return events.ReadingTaken{
		Device: "kb00", Tool: "kb00", Bench: "b00", Mode: events.ModePeak, Text: benchText(n), Unit: "N.m",
		Value: quantity.NewtonMetres(45).Value(), Resolution: quantity.NewtonMetres(0.01).Value(), ToolCounter: &counter, ToolStatus: "ok",
		Profile: "orrin-k2@0123456789ab", Bytes: benchFrame(n), ReceivedAtUs: events.InstantOf(time.Now()),
	}
}

// benchPayload is what the journal holds of it.
func benchPayload(n int) ([]byte, error) {
	_, data, err := events.Encode(benchReading(n))
	return data, err
}

func bareStream(w http.ResponseWriter, r *http.Request, stored <-chan []byte) {
	w.Header().Set("Content-Type", "text/event-stream")
	rc := http.NewResponseController(w)
	_ = rc.Flush() // the client sees the header
	for {
		select {
		case <-r.Context().Done():
			return
		case data := <-stored:
			if _, err := fmt.Fprintf(w, "id: 1\ndata: %s\n\n", data); err != nil {
				return
			}
			_ = rc.Flush() // a client that left ends the request
		}
	}
}

func (c *bareChain) round(n int) ([]time.Duration, error) {
	var took []time.Duration
	for range n {
		d, _, err := c.reading("")
		if err != nil {
			return nil, err
		}
		took = append(took, d)
	}
	return took, nil
}

func (c *bareChain) close() {
	c.closeChain()
	_ = c.server.Close()
	_ = c.port.Close()
	c.floor.close()
}
