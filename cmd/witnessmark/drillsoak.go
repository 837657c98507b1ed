package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"runtime/metrics"
	"runtime/pprof"
	"slices"
	"sync"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"witnessmark/events"
	"witnessmark/rules/service"
	"witnessmark/simulator"
)

type soakOptions struct {
	speed  float64
	long   time.Duration
	grow   float64 // MB
	slower float64
	seed   uint64
	json   bool
	dir    string
	heaps  string // where to write profiles of the heap
}

func newDrillSoak() *cobra.Command {
	var o soakOptions
	cmd := &cobra.Command{
		Use:   "soak",
		Short: "Work for hours at many times life; nothing may grow or get slower",
		Long: `Runs the invented shop of 'demo' at many times the pace of life, with browsers
that follow its benches and ask for pages and metrics, and samples memory, time
to a decision and time to a page every second. At the end it stops everything and
looks what is left over. Exit status 0 only if

  the live Go heap grows over the second half, by a robust fit (the median slope
  of all pairs of samples, after Theil and Sen), by no more than 100 bytes for
  each event of it and --grow MB. An ended job leaves some 200 bytes in each of
  two states, of sixty events or more; --grow is for what comes and goes: what one
  page, one block of the journal or one collection late holds
  all other memory (SQLite's and the C library's) never exceeds 96 MB: the ledger
  may hold 64 MiB of pages, and a heap of small pieces has gaps
  the median time to a decision, and to a page, in the last third is no more than
  --slower times that in the first, less what the time in which this machine
  writes and syncs a small file has grown: what else it does falls on both
  no goroutine and no open file is left once the service has stopped`,
		Example: "  witnessmark drill soak --for 1h\n  witnessmark drill soak --for 45s --slower 2.5",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if !(o.speed > 0) || o.long < 10*time.Second {
				return usageError("want a --speed above 0, and --for 10s or longer")
			}
			return runSoak(c, o)
		},
	}
	f := cmd.Flags()
	f.Float64Var(&o.speed, "speed", 200, "how much quicker than life the technicians work")
	f.DurationVar(&o.long, "for", time.Hour, "how long")
	f.Float64Var(&o.grow, "grow", 12, "MB by which the live heap may grow over the second half, beside what its events leave")
	f.Float64Var(&o.slower, "slower", 1.5, "by how much times may grow")
	f.Uint64Var(&o.seed, "seed", 1, "decides every pull")
	f.StringVar(&o.dir, "dir", "", "where to work; default: a new directory for temporary files")
	f.StringVar(&o.heaps, "heaps", "", "directory for profiles of the heap, taken ten times along the way (see 'go tool pprof')")
	f.BoolVar(&o.json, "json", false, "print the figures as JSON")
	return cmd
}

// soakResult is what a soak found.
type soakResult struct {
	Seconds    float64   `json:"seconds"`
	Speed      float64   `json:"speed"`
	Events     uint64    `json:"events"`
	Readings   int       `json:"readings"`
	Pages      int       `json:"pages_asked_for"`
	Patches    int       `json:"messages_to_live_streams"`
	FirstMB    float64   `json:"resident_half_way_mb"`
	LastMB     float64   `json:"resident_at_end_mb"`
	LiveMB     float64   `json:"live_heap_half_way_mb"` // by the fit
	LiveGrowMB float64   `json:"live_heap_growth_second_half_mb"`
	LiveMostMB float64   `json:"live_heap_growth_allowed_mb"`
	OutsideMB  float64   `json:"most_outside_of_go_mb"`
	DecisionMs []float64 `json:"decision_p50_ms_by_third"`
	PageMs     []float64 `json:"page_p50_ms_by_third"`
	DiskMs     []float64 `json:"bare_sync_p50_ms_by_third"`
	Slower     float64   `json:"decision_last_to_first_third_by_disk"`
	PageSlower float64   `json:"page_last_to_first_third_by_disk"`
	Goroutines int       `json:"goroutines_left"`
	Files      int       `json:"files_left"`
	Complaints []string  `json:"complaints"`
}

// soak collects samples.
type soak struct {
	start time.Time

	mu       sync.Mutex
	decision []timed
	pages    []timed
	memory   []memorySample
	disk     []timed // writing and syncing a small file
	patches  int
}

// timed is how long something took, and when.
type timed struct {
	at   time.Duration
	took float64 // ms
}

// memorySample is what the process holds, in bytes.
type memorySample struct {
	events  float64 // in the journal by then
	bytes   float64 // resident
	live    float64 // of the Go heap, as the last collection found it
	outside float64 // anonymous memory that is not Go's: SQLite's, and the C library's
}

func runSoak(c *cobra.Command, o soakOptions) error {
	dir, err := os.MkdirTemp(o.dir, "witnessmark-soak-")
	if err != nil {
		return fmt.Errorf("make working directory: %w", err)
	}
	defer os.RemoveAll(dir)
	http.DefaultClient.CloseIdleConnections()
	before, files := runtime.NumGoroutine(), openFiles()
	result, err := soakIn(c.Context(), dir, o, c.ErrOrStderr())
	if err != nil {
		return err
	}
	http.DefaultClient.CloseIdleConnections()
	result.Goroutines, result.Files = leftOver(before, files)
	result.judge(o)
	if o.json {
		enc := json.NewEncoder(c.OutOrStdout())
		enc.SetIndent("", "  ")
		err = enc.Encode(result)
	} else {
		err = result.print(c.OutOrStdout())
	}
	if err == nil && len(result.Complaints) > 0 {
		err = exitCode{status: 1}
	}
	return err
}

// leftOver waits a little for what ends by itself, and counts what does not.
func leftOver(goroutines, files int) (g, f int) {
	for range 200 {
		g, f = runtime.NumGoroutine()-goroutines, openFiles()-files
		if g <= 0 && f <= 0 {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	return max(g, 0), max(f, 0)
}

// openFiles counts the descriptors of this process.
func openFiles() int {
	all, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		return 0
	}
	return len(all)
}

func soakIn(ctx context.Context, dir string, o soakOptions, progress io.Writer) (*soakResult, error) {
	cfg := defaultConfig()
	cfg.Data, cfg.Listen, cfg.LogLevel = dir, "127.0.0.1:0", "error"
	d, err := openDemo(ctx, cfg, demoOptions{speed: o.speed, seed: o.seed}, simulator.WallClock(o.speed))
	if err != nil {
		return nil, err
	}
	defer d.rig.Close()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s := &soak{start: time.Now()}
	// Stopping closes a full channel only where nobody reads it any more.
	updates, stop := d.stack.service.Subscribe(1 << 16)
	defer stop()
	var g errgroup.Group
	g.Go(func() error { defer cancel(); return d.run(ctx, io.Discard, io.Discard) })
	g.Go(func() error { s.decisions(updates); return nil })
	for _, b := range d.shop.Benches {
		g.Go(func() error { s.follow(ctx, d.stack.url()+"/live?bench="+b.ID); return nil })
	}
	g.Go(func() error { s.look(ctx, d.stack); return nil })
	g.Go(func() error {
		defer cancel()
		s.sample(ctx, d.stack, o, progress)
		return nil
	})
	if err := g.Wait(); ignoreCancel(err) != nil {
		return nil, err
	}
	return s.result(o, d.stack.journal.Last()), nil
}

// decisions notes how long each reading took until its decision showed.
func (s *soak) decisions(updates <-chan service.Update) {
	for u := range updates {
		if _, ok := u.Fact.Data.(events.ReadingTaken); !ok {
			continue
		}
		took := events.InstantOf(time.Now()).Sub(u.Fact.Time)
		s.mu.Lock()
		s.decision = append(s.decision, timed{time.Since(s.start), took.Seconds() * 1000})
		s.mu.Unlock()
	}
}

// follow reads a live stream as a bench's screen does.
func (s *soak) follow(ctx context.Context, url string) {
	for ctx.Err() == nil {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
		if err != nil {
			return
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			continue // not up yet, or no more
		}
		for lines := bufio.NewScanner(resp.Body); lines.Scan(); {
			if len(lines.Bytes()) == 0 {
				s.mu.Lock()
				s.patches++
				s.mu.Unlock()
			}
		}
		_ = resp.Body.Close() // read to its end
	}
}

// soakPages are what people and machines ask for all day.
var soakPages = []string{"/", "/bench/axle", "/jobs", "/alerts", "/devices", "/tools", "/metrics", "/readyz"}

// look asks for a page again and again.
func (s *soak) look(ctx context.Context, st *stack) {
	tick := time.NewTicker(250 * time.Millisecond)
	defer tick.Stop()
	for n := 0; ; n++ {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		start := time.Now()
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, st.url()+soakPages[n%len(soakPages)], nil)
		if err != nil {
			return
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			continue
		}
		_, err = io.Copy(io.Discard, resp.Body)
		_ = resp.Body.Close() // read to its end
		if err != nil {
			continue
		}
		s.mu.Lock()
		s.pages = append(s.pages, timed{time.Since(s.start), time.Since(start).Seconds() * 1000})
		s.mu.Unlock()
	}
}

// sample looks at the memory every second until the time is up.
func (s *soak) sample(ctx context.Context, st *stack, o soakOptions, progress io.Writer) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	end := time.After(o.long)
	f, err := os.Create(filepath.Join(st.cfg.Data, "beside"))
	if err != nil {
		return
	}
	defer f.Close()
	for n := 1; ; n++ {
		select {
		case <-ctx.Done():
			return
		case <-end:
			return
		case <-tick.C:
		}
		start := time.Now()
		if _, err := f.WriteAt(make([]byte, 512), 0); err != nil || f.Sync() != nil {
			return
		}
		s.disk = append(s.disk, timed{time.Since(s.start), time.Since(start).Seconds() * 1000})
		m, err := sampleMemory()
		if err != nil {
			return
		}
		m.events = float64(st.journal.Last())
		s.memory = append(s.memory, m)
		if n%30 == 0 {
			fmt.Fprintf(progress, "%4d s: %d events, %d goroutines, %d files, %s\n", n, st.journal.Last(), runtime.NumGoroutine(), openFiles(), m)
		}
		if every := max(1, int(o.long.Seconds()/10)); o.heaps != "" && n%every == 0 {
			if err := writeHeap(filepath.Join(o.heaps, fmt.Sprintf("heap-%05d-%d", n, st.journal.Last()))); err != nil {
				fmt.Fprintln(progress, err)
			}
		}
	}
}

// sampleMemory tells what this process holds.
func sampleMemory() (memorySample, error) {
	rss, err := statusKB("VmRSS:")
	if err != nil {
		return memorySample{}, err
	}
	anon, err := statusKB("RssAnon:")
	if err != nil {
		return memorySample{}, err
	}
	got := []metrics.Sample{{Name: "/gc/heap/live:bytes"}, {Name: "/memory/classes/total:bytes"}, {Name: "/memory/classes/heap/released:bytes"}}
	metrics.Read(got)
	ours := float64(got[1].Value.Uint64() - got[2].Value.Uint64())
	return memorySample{bytes: rss * 1024, live: float64(got[0].Value.Uint64()), outside: max(0, anon*1024-ours)}, nil
}

func (m memorySample) String() string {
	return fmt.Sprintf("%.0f MB: live Go heap %.1f MB, outside of Go's memory %.1f MB", m.bytes/1e6, m.live/1e6, m.outside/1e6)
}

// writeHeap writes a profile of what is in use once garbage is collected.
func writeHeap(name string) error {
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	runtime.GC()
	return errors.Join(pprof.Lookup("heap").WriteTo(f, 0), f.Close())
}

func (s *soak) result(o soakOptions, last uint64) *soakResult {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := &soakResult{Seconds: time.Since(s.start).Seconds(), Speed: o.speed, Events: last, Readings: len(s.decision), Pages: len(s.pages), Patches: s.patches,
		DecisionMs: thirds(s.decision, o.long), PageMs: thirds(s.pages, o.long), Complaints: []string{}}
	r.DiskMs = thirds(s.disk, o.long)
	// A disk that got quicker makes nothing of ours slower.
	other := max(1, r.DiskMs[2]/r.DiskMs[0])
	r.Slower, r.PageSlower = r.DecisionMs[2]/r.DecisionMs[0]/other, r.PageMs[2]/r.PageMs[0]/other
	late := s.memory[len(s.memory)/2:]
	if len(late) > 1 {
		r.FirstMB, r.LastMB = late[0].bytes/1e6, late[len(late)-1].bytes/1e6
		came := late[len(late)-1].events - late[0].events
		var live []float64
		for _, m := range late {
			live = append(live, m.live)
		}
		r.LiveGrowMB = medianSlope(late) * came / 1e6
		r.LiveMB = median(live)/1e6 - r.LiveGrowMB/2
		r.LiveMostMB = o.grow + heldPerEvent*came/1e6
	}
	for _, m := range s.memory {
		r.OutsideMB = max(r.OutsideMB, m.outside/1e6)
	}
	return r
}

// thirds gives the median of each third of the time.
func thirds(all []timed, long time.Duration) []float64 {
	var by [3][]float64
	for _, t := range all {
		i := min(2, int(3*t.at/long))
		by[i] = append(by[i], t.took)
	}
	out := make([]float64, 3)
	for i := range by {
		out[i] = median(by[i])
	}
	return out
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)/2]
}

// heldPerEvent is what an event may leave in the live heap for good, in bytes. A
// job that has ended leaves 200 in each of two states, of some sixty events or
// more (TestMemoryOfEndedJobs of the rules); the rest is for what stands beside
// jobs: alerts, registers, blocks of the journal. mostOutside is
// what may be held outside of Go's heap, in MB: the caches of the ledger's
// connections are 32 MB and four times 8 MB.
const (
	heldPerEvent = 100
	mostOutside  = 96
)

// medianSlope is the median of the slopes of the live heap between all pairs of
// samples, in bytes an event: a few odd samples do not move it. Source: P. K. Sen,
// "Estimates of the regression coefficient based on Kendall's tau", Journal of
// the American Statistical Association 63 (1968), from memory.
func medianSlope(all []memorySample) float64 {
	const most = 600 // samples; more would only cost time
	step := (len(all) + most - 1) / most
	var slopes []float64
	for i := 0; i < len(all); i += step {
		for k := i + step; k < len(all); k += step {
			if dx := all[k].events - all[i].events; dx > 0 {
				slopes = append(slopes, (all[k].live-all[i].live)/dx)
			}
		}
	}
	return median(slopes)
}

// judge compares the figures with their limits. NaN fails.
func (r *soakResult) judge(o soakOptions) {
	no := func(ok bool, format string, a ...any) {
		if !ok {
			r.Complaints = append(r.Complaints, fmt.Sprintf(format, a...))
		}
	}
	no(r.Readings > 0 && r.Pages > 0 && r.Patches > 0, "nothing was done: %d readings, %d pages, %d messages", r.Readings, r.Pages, r.Patches)
	no(r.LiveGrowMB <= r.LiveMostMB, "the live heap grows by %.1f MB over the second half, at most %.1f are allowed", r.LiveGrowMB, r.LiveMostMB)
	no(r.OutsideMB <= mostOutside, "%.0f MB are held outside of Go's heap, at most %d are allowed", r.OutsideMB, mostOutside)
	no(r.Slower <= o.slower, "decisions take %.2f times as long in the last third as in the first, at most %.2f are allowed", r.Slower, o.slower)
	no(r.PageSlower <= o.slower, "pages take %.2f times as long in the last third as in the first, at most %.2f are allowed", r.PageSlower, o.slower)
	no(r.Goroutines == 0, "%d goroutines are left over", r.Goroutines)
	no(r.Files == 0, "%d open files are left over", r.Files)
}

func (r *soakResult) print(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "worked\t%.0f s at %g times life: %d readings, %d events, %d pages, %d live messages\n", r.Seconds, r.Speed, r.Readings, r.Events, r.Pages, r.Patches)
	fmt.Fprintf(t, "live Go heap\t%.1f MB half way; over the second half it grows by %.1f MB, at most %.1f\n", r.LiveMB, r.LiveGrowMB, r.LiveMostMB)
	fmt.Fprintf(t, "other memory\t%.1f MB at most outside of Go's heap; resident in all %.0f MB half way, %.0f MB at the end\n", r.OutsideMB, r.FirstMB, r.LastMB)
	fmt.Fprintf(t, "time to a decision, p50\t%.2f, %.2f, %.2f ms by third; last to first, as a ratio to the disk, %.2f\n", r.DecisionMs[0], r.DecisionMs[1], r.DecisionMs[2], r.Slower)
	fmt.Fprintf(t, "time to a page, p50\t%.2f, %.2f, %.2f ms by third; last to first, as a ratio to the disk, %.2f\n", r.PageMs[0], r.PageMs[1], r.PageMs[2], r.PageSlower)
	fmt.Fprintf(t, "bare write and sync, p50\t%.2f, %.2f, %.2f ms by third\n", r.DiskMs[0], r.DiskMs[1], r.DiskMs[2])
	fmt.Fprintf(t, "left over\t%d goroutines, %d files\n", r.Goroutines, r.Files)
	if err := t.Flush(); err != nil {
		return err
	}
	var errs []error
	for _, c := range r.Complaints {
		_, err := fmt.Fprintln(w, "NOT flat:", c)
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}
