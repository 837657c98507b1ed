package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/simulator"
)

// tryBench is the invented shop with nobody at work but a metrologist.
type tryBench struct {
	t    *testing.T
	d    *demonstration
	bias map[string]float64
	rng  *rand.Rand
}

func newTryBench(t *testing.T, bias map[string]float64) *tryBench {
	t.Helper()
	cfg := defaultConfig()
	cfg.Data, cfg.Listen, cfg.LogLevel = t.TempDir(), "127.0.0.1:0", "error"
	ctx, stop := context.WithCancel(context.Background())
	d, err := openDemo(ctx, cfg, demoOptions{speed: 1, seed: 11, bias: bias}, simulator.WallClock(0))
	if err != nil {
		t.Fatal(err)
	}
	g, gctx := errgroup.WithContext(ctx)
	ready := make(chan struct{})
	g.Go(func() error { return d.rig.Run(gctx) })
	g.Go(func() error {
		return d.stack.run(gctx, func(ctx context.Context) error {
			close(ready)
			<-ctx.Done()
			return nil
		})
	})
	t.Cleanup(func() {
		stop()
		if err := g.Wait(); ignoreCancel(err) != nil {
			t.Error(err)
		}
		_ = d.rig.Close()
	})
	select {
	case <-ready:
	case <-gctx.Done():
		t.Fatal(g.Wait())
	}
	b := &tryBench{t, d, bias, rand.New(rand.NewPCG(3, 5))}
	for _, tool := range []string{"k2-07", "b1-01"} {
		if err := linked(d.stack.capture.Status, true)(gctx, tool); err != nil {
			t.Fatal(err)
		}
		d.rig.Tools()[tool].Listened()
	}
	return b
}

// run runs a command against the bench's service, and must succeed.
func (b *tryBench) run(line string) string {
	b.t.Helper()
	out, err := command(b.t.Context(), append(strings.Fields(line), "--server", b.d.stack.url())...)
	if err != nil {
		b.t.Fatalf("%s: %v", line, err)
	}
	return out
}

// at gives what is open at the axle bench.
func (b *tryBench) at() (p rules.Pairing, open bool) {
	b.d.stack.service.View(func(st *rules.State) { p, open = st.PairingAt("axle") })
	return p, open
}

// pulls makes each pull that is asked for, until all are taken or it is closed.
func (b *tryBench) pulls() {
	b.t.Helper()
	for p, open := b.at(); open && p.Row < p.Rows; p, open = b.at() {
		tools := b.d.rig.Tools()
		_, _, err := simulator.TryOut(b.t.Context(), tools["k2-07"], tools["b1-01"], b.bias["k2-07"], quantity.NewtonMetres(p.Plan.Point.Base()), b.rng)
		if err != nil {
			b.t.Fatal(err)
		}
		tick, deadline := time.NewTicker(time.Millisecond), time.After(5*time.Minute)
		for q, still := b.at(); still && q.Row == p.Row; q, still = b.at() {
			select {
			case <-tick.C:
			case <-deadline:
				b.t.Fatalf("the pair of row %d is not taken: %+v", p.Row, q)
			}
		}
		tick.Stop()
	}
}

// A wrench that reads 1.2 % too much is calibrated on the bench tester: real
// bytes on pseudo-terminals, two tools, one request after the other from the
// command line. The found deviation must be the true one within its
// uncertainty. Then a quick check.
func TestCalibrationOnTheBench(t *testing.T) {
	const truth = 1.2 // %, by definition 100·(Xa − Xr)/Xr
	b := newTryBench(t, map[string]float64{"k2-07": truth / 100})
	b.run("tool calibrate k2-07 --with b1-01 --bench axle --phase found --by petra")
	b.pulls()
	if p, open := b.at(); !open || p.Rows != 16 || p.Row != 16 {
		t.Fatalf("a type I class C wrench wants 1 preload and 3 points of 5 readings; open %t, %d of %d", open, p.Row, p.Rows)
	}
	b.run("tool judge --bench axle --interface 0.1 --by petra")
	if err := b.d.stack.ledger.WaitFor(t.Context(), b.d.stack.journal.Last()); err != nil {
		t.Fatal(err)
	}
	cs, err := b.d.stack.ledger.CalibrationsOf(t.Context(), "k2-07")
	if err != nil || len(cs) != 1 {
		t.Fatalf("the ledger has %d calibrations: %v", len(cs), err)
	}
	c := cs[0]
	if c.Standing != events.StandingGood || c.Due == "" || len(c.Results) != 3 {
		t.Errorf("standing %s, due %q, %d points, want good with a date and 3 points; notes %q", c.Standing, c.Due, len(c.Results), c.Note)
	}
	for _, r := range c.Results {
		if math.Abs(r.Deviation-truth) > r.U || !(r.U > 0.4 && r.U < 1) || r.N != 5 {
			t.Errorf("at %v: %+.3f %% with U = %.3f %% from %d readings, the truth is %+.1f %%", r.Point, r.Deviation, r.U, r.N, truth)
		}
	}
	b.run("tool check k2-07 --with b1-01 --bench axle --by ines")
	b.pulls()
	if err := b.d.stack.ledger.WaitFor(t.Context(), b.d.stack.journal.Last()); err != nil {
		t.Fatal(err)
	}
	checks, err := b.d.stack.ledger.ChecksOf(t.Context(), "k2-07")
	if err != nil || len(checks) != 1 || checks[0].Standing != events.StandingGood || math.Abs(checks[0].Deviation-truth) > checks[0].U {
		t.Errorf("the ledger has the checks %+v: %v", checks, err)
	}
	if out := b.run("tool list"); !strings.Contains(out, c.Due) || !strings.Contains(out, "19") {
		t.Errorf("the list does not show due %s and 19 cycles:\n%s", c.Due, out)
	}
	out, err := command(t.Context(), "tool", "show", "k2-07", "--budget", "--data", b.d.stack.cfg.Data)
	for _, w := range []string{"Calibration C", "as found, against b1-01, rule guard: good", "repeatability", "120.00 N·m", "Check K"} {
		if err != nil || !strings.Contains(out, w) {
			t.Fatalf("tool show: %v, does not say %q:\n%s", err, w, out)
		}
	}
	cals, err := b.d.stack.ledger.CalibrationsOf(t.Context(), "k2-07")
	if err != nil || len(cals) != 1 {
		t.Fatalf("%d calibrations: %v", len(cals), err)
	}
	file := filepath.Join(t.TempDir(), "k2.pdf")
	pdf := []string{"tool", "pdf", cals[0].Calibration, "--to", file, "--data", b.d.stack.cfg.Data}
	if _, err := command(t.Context(), pdf...); err != nil {
		t.Fatal(err)
	}
	if got, err := os.ReadFile(file); err != nil || !bytes.HasPrefix(got, []byte("%PDF-")) || !bytes.Contains(got, []byte("%%EOF")) {
		t.Errorf("the certificate has %d bytes and is no PDF: %v", len(got), err)
	}
	if _, err := command(t.Context(), pdf...); err == nil || !strings.Contains(err.Error(), "it is there already") {
		t.Errorf("a certificate was written over: %v", err)
	}
	if _, err := command(t.Context(), "tool", "pdf", "C-none", "--data", b.d.stack.cfg.Data); err == nil || !strings.Contains(err.Error(), "'witnessmark tool show TOOL' lists") {
		t.Errorf("a calibration that is none: %v", err)
	}
}

// A wrench that reads 7 % too much is found out and taken out of use; what is
// wrong is refused with words.
func TestCalibrationFindsAWrenchOff(t *testing.T) {
	b := newTryBench(t, map[string]float64{"k2-07": 0.07})
	server := []string{"--server", b.d.stack.url()}
	mustRefuse(t, []string{"no_right", "metrology"}, append(strings.Fields("tool calibrate k2-07 --with b1-01 --bench axle --phase found --by ines"), server...)...)
	mustRefuse(t, []string{"no_reference"}, append(strings.Fields("tool calibrate k2-07 --with s5-02 --bench axle --phase found --by petra"), server...)...)
	b.run("tool check k2-07 --with b1-01 --bench axle --by ines --point 60N·m")
	b.pulls()
	var now rules.Tool
	b.d.stack.service.View(func(st *rules.State) { now = *st.Tools["k2-07"] })
	if now.State != events.ToolQuarantined || now.Standing != events.StandingBad {
		t.Errorf("it is %s and %s, want quarantined and bad", now.State, now.Standing)
	}
	if out := b.run("tool list"); !strings.Contains(out, "it is in quarantine: found outside its limits by quick check") {
		t.Errorf("the list does not say why it is refused:\n%s", out)
	}
	dir := t.TempDir()
	points := filepath.Join(dir, "points.csv")
	write(t, points, "point,direction,n,deviation,u,permitted\n10 N·m,cw,5,0.4,0.5,4\n120 N·m,cw,5,0.2,0.5,4\n200 N·m,cw,5,0.1,0.5,4\n")
	write(t, filepath.Join(dir, "L-1.pdf"), "an invented certificate")
	tomorrow := time.Now().UTC().AddDate(0, 0, 1).Format(time.DateOnly)
	today := time.Now().UTC().Format(time.DateOnly)
	line := "tool certificate k2-07 --number L-1 --laboratory Invented --phase left --by petra --points " + points + " --file " + filepath.Join(dir, "L-1.pdf") + " --date "
	mustRefuse(t, []string{"in the future"}, append(strings.Fields(line+tomorrow), server...)...)
	b.run("tool adjust k2-07 --what renewed --by petra")
	if out := b.run(line + today); !strings.Contains(out, "the file of certificate L-1 is kept") {
		t.Errorf("the certificate's file is not said to be kept: %s", out)
	}
	mustRefuse(t, []string{"L-1 of Invented, as left, was entered for this tool already"}, append(strings.Fields(line+today), server...)...)
	b.run("tool move k2-07 --to in_use --reason adjusted --by petra")
	b.d.stack.service.View(func(st *rules.State) { now = *st.Tools["k2-07"] })
	if now.State != events.ToolInUse || now.Standing != events.StandingGood || now.By != "certificate L-1" {
		t.Errorf("after the laboratory it is %s and %s by %s", now.State, now.Standing, now.By)
	}
	b.papers(dir, today)
}

// papers looks at the files of certificates: L-1.pdf, which was kept, and one
// that is sent later.
func (b *tryBench) papers(dir, today string) {
	t := b.t
	t.Helper()
	get := func(text string) (int, http.Header, string) {
		resp, err := http.Get(fmt.Sprintf("%s/papers/%x", b.d.stack.url(), sha256.Sum256([]byte(text))))
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, resp.Header, string(body)
	}
	kept := "an invented certificate"
	if status, h, got := get(kept); status != http.StatusOK || got != kept || h.Get("Content-Disposition") != "attachment; filename=L-1.pdf" || h.Get("Content-Type") != "application/octet-stream" {
		t.Errorf("the certificate's file: %d %v %q", status, h, got)
	}
	later := "another invented certificate"
	name := filepath.Join(dir, "L-2.pdf")
	write(t, name, later)
	mustRefuse(t, []string{"No certificate of an outside laboratory names a file with this hash"}, "tool", "paper", name, "--server", b.d.stack.url())
	ask := fmt.Sprintf(`{"by":"petra","tool":"k2-07","certificate":"L-2","laboratory":"Invented","phase":"left","date":%q,"standing":"good","file":"L-2.pdf","file_hash":"%x","file_size":%d}`,
		today, sha256.Sum256([]byte(later)), len(later))
	resp, err := http.Post(b.d.stack.url()+"/api/asks/certificate.asked", "application/json", strings.NewReader(ask))
	if err != nil {
		t.Fatal(err)
	}
	text, _ := io.ReadAll(resp.Body)
	resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		t.Fatalf("enter certificate L-2: %s", text)
	}
	if status, _, got := get(later); status != http.StatusGone || !strings.Contains(got, "witnessmark tool paper FILE") {
		t.Errorf("a file that was never sent: %d %s", status, got)
	}
	put, err := http.NewRequest(http.MethodPut, fmt.Sprintf("%s/papers/%x", b.d.stack.url(), sha256.Sum256([]byte(later))), strings.NewReader(kept))
	if err != nil {
		t.Fatal(err)
	}
	if resp, err = http.DefaultClient.Do(put); err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusConflict {
		t.Errorf("another file than the one entered: %s, want a conflict", resp.Status)
	}
	b.run("tool paper " + name)
	if status, _, got := get(later); status != http.StatusOK || got != later {
		t.Errorf("a file that was sent later: %d %q", status, got)
	}
}

func write(t *testing.T, name, text string) {
	t.Helper()
	if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}
