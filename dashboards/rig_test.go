package dashboards

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/service"
)

var update = flag.Bool("update", false, "write the golden files anew")

// theDay is when everything in these tests happens.
var theDay = time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)

// testShop is invented, as is everything in these tests.
func testShop() events.Shop {
	nm := func(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }
	mm := func(v float64) quantity.Value { return quantity.Millimetres(v).Value() }
	return events.Shop{
		ID: "fenholt", Name: "Fenholt Driveline", Torque: "N.m", Length: "mm",
		Benches: []events.Bench{{ID: "axle", Name: "Axle bench"}, {ID: "gearbox", Name: "Gearbox bench"}},
		People: []events.Person{
			{ID: "ines", Name: "Ines Varga", Role: events.RoleTechnician},
			{ID: "tomas", Name: "Tomas Reed", Role: events.RoleTechnician},
			{ID: "maren", Name: "Maren Holt", Role: events.RoleLead},
		},
		Tools: []events.Tool{
			{ID: "k2-07", Name: "Orrin K2 no. 7", Kind: events.ToolTorqueWrench, Serial: "K2-1180-07", Least: nm(10), Most: nm(200), URel: 0.015, Calibrated: "2026-06-15", Due: "2027-06-15"},
			{ID: "d3-01", Name: "Pinn D3 no. 1", Kind: events.ToolDialIndicator, Serial: "D3-9017", Least: mm(0), Most: mm(12.7), UAbs: mm(0.003), Calibrated: "2026-05-20", Due: "2027-05-20"},
		},
		Devices: []events.Device{
			{ID: "k2-07", Tool: "k2-07", Bench: "axle", Profile: "orrin-k2", Port: "/dev/ttyUSB0"},
			{ID: "d3-01", Tool: "d3-01", Bench: "axle", Profile: "pinn-d3", Port: "/dev/ttyUSB1"},
		},
	}
}

// coverProcedure is short: a parts step and a cover with twelve bolts in two
// passes, two of them guide bolts.
const coverProcedure = `# Invented: for tests only.
procedure: RA-210
revision: T
title: "Brackwater RA-210: rear cover"
unit: Brackwater RA-210
cautions:
  - Invented example. No figure here belongs to a real axle.
faces:
  - id: cover
    title: Rear cover
    outlines:
      - {shape: circle, r: 150, style: body}
      - {shape: polygon, corner: 12, style: mark, points: [{x: -70, y: 60}, {x: 70, y: 60}, {x: 90, y: -50}, {x: -90, y: -50}]}
steps:
  - id: cover
    title: Rear cover
    kind: torque
    face: cover
    text:
      - Wipe both faces dry, lay an even bead of sealant, fit the cover within ten minutes.
      - Two passes, crosswise.
    cautions:
      - An axle that loses its oil seizes. Sealant on the bearings starves them; use little.
    class: B
    thread: M10x1.5
    strength: "8.8"
    lubrication: oiled
    into: cast iron
    fasteners:
      - {ring: {count: 6, diameter: 272, start: 15}, head: 17.8}
    order: [1, 4, 2, 5, 3, 6]
    tools: [torque_wrench]
    passes:
      - {name: snug, target: 25 N·m, limits: ± 20 %}
      - {name: final, target: 45 N·m, limits: ± 10 %}
  - id: end-play
    title: End play
    kind: measure
    text: [Rock the flange and read the indicator.]
    cautions: [Keep fingers out of the mesh.]
    what: end play
    limits: {low: 0.05 mm, high: 0.20 mm}
    tools: [dial_indicator]
  - id: final-check
    title: Final check
    kind: attest
    text: [Turn the flange ten turns each way.]
    cautions: [Keep clear of the flange.]
    covers: [cover]
    statement: The axle turns evenly both ways and the tag is on.
`

// rig is the whole stack in this process, on a journal of its own.
type rig struct {
	t       testing.TB
	journal *journal.Journal
	ledger  *ledger.Ledger
	service *service.Service
	pages   *Pages
	server  *httptest.Server
	client  *http.Client

	mu  sync.Mutex
	now time.Time
}

// standing is the clock of the program under test: it stands, so that pages
// come out the same however often it is asked.
func standing() time.Time { return theDay.Add(10 * time.Minute) }

// clock gives each thing that a test does its time, a second apart.
func (r *rig) clock() time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.now = r.now.Add(time.Second)
	return r.now
}

// newRig starts the whole stack; with changes what its pages are given.
func newRig(t testing.TB, with ...func(*rig, *Config)) *rig {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	r := &rig{t: t, now: theDay}
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	var err error
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	dir := t.TempDir()
	r.journal, err = journal.Open(ctx, journal.Config{Shop: "fenholt", Dir: filepath.Join(dir, "journal"), MaxBytes: 1 << 30, MinFree: 1 << 20, Log: log})
	must(err)
	r.ledger, err = ledger.Open(ctx, ledger.Config{Path: filepath.Join(dir, "ledger.db"), Log: log})
	must(err)
	r.service, err = service.New(service.Config{Journal: r.journal, Log: log, Now: standing})
	must(err)
	cfg := Config{Service: r.service, Watch: Watch(r.service.Subscribe), Ledger: r.ledger, Journal: r.journal,
		Ready: r.service.Ready(), Log: log, Now: standing}
	for _, change := range with {
		change(r, &cfg)
	}
	r.pages, err = New(cfg)
	must(err)
	r.server = httptest.NewServer(r.pages)
	jar, err := cookiejar.New(nil)
	must(err)
	r.client = &http.Client{Jar: jar}

	var wg sync.WaitGroup
	run := func(what string, fn func(context.Context) error) {
		wg.Go(func() {
			if err := fn(ctx); err != nil && ctx.Err() == nil {
				t.Errorf("%s: %v", what, err)
			}
		})
	}
	run("service", r.service.Run)
	run("ledger", func(ctx context.Context) error { return r.ledger.Run(ctx, r.journal) })
	run("pages", r.pages.Run)
	t.Cleanup(func() {
		cancel()
		r.server.CloseClientConnections()
		r.server.Close()
		wg.Wait()
		_ = r.ledger.Close()
		_ = r.journal.Close()
	})
	select {
	case <-r.service.Ready():
	case <-time.After(5 * time.Minute):
		t.Fatal("the rules did not get ready")
	}
	return r
}

func serve(t testing.TB, h http.Handler) *httptest.Server {
	s := httptest.NewServer(h)
	t.Cleanup(func() { s.CloseClientConnections(); s.Close() })
	return s
}

// ask submits a request and fails if it is refused.
func (r *rig) ask(d events.Data) {
	r.t.Helper()
	_, dec, err := r.service.Submit(context.Background(), d)
	if err != nil {
		r.t.Fatal(err)
	}
	for _, o := range dec.Outcomes {
		if ref, ok := o.Data.(events.RequestRefused); ok {
			r.t.Fatalf("refused: %s %s %v", ref.Text, ref.Todo, ref.Items)
		}
	}
}

// open sets the shop up and opens job J-1 at the axle bench.
func (r *rig) open() {
	r.t.Helper()
	r.ask(events.ShopDescribed{Shop: testShop(), Hash: "test"})
	r.release(coverProcedure)
	r.ask(events.JobAsked{Ask: r.by("ines"), Job: "J-1", UnitSerial: "RA-0042", Customer: "Tarn Quarry", Procedure: "RA-210", Revision: "T"})
}

func (r *rig) release(text string) {
	r.t.Helper()
	sum := sha256.Sum256([]byte(text))
	r.ask(events.ProcedureOffered{Ask: r.by("maren"), Text: text, Hash: hex.EncodeToString(sum[:])})
}

func (r *rig) by(person string) events.Ask {
	return events.Ask{By: person, Bench: "axle", AtUs: events.InstantOf(r.clock())}
}

// pull takes one reading of the wrench, as text in N·m, and waits until the
// rules have judged it.
func (r *rig) pull(text string) { r.t.Helper(); r.read("k2-07", text, quantity.NewtonMetre) }

func (r *rig) read(device, text string, u quantity.Unit) {
	r.t.Helper()
	v, _, err := quantity.Parse(text + " " + u.Symbol())
	if err != nil {
		r.t.Fatal(err)
	}
	at := events.InstantOf(r.clock())
	mode := events.ModePeak
	if u.Dimension() == quantity.DimLength {
		mode = events.ModeSettled
	}
	seqs, err := r.journal.Append(context.Background(), events.Event{Source: events.DeviceSource(device), Time: at, Subject: device,
		Data: events.ReadingTaken{Device: device, Tool: device, Bench: "axle", Mode: mode, Text: text, Unit: u.Code(), Value: v, ReceivedAtUs: at, Bytes: []byte(text)}})
	if err != nil {
		r.t.Fatal(err)
	}
	r.decided(seqs[0])
}

// fact appends something that a device reported and that nobody decides on.
func (r *rig) fact(device string, d events.Data) {
	r.t.Helper()
	seqs, err := r.journal.Append(context.Background(), events.Event{Source: events.DeviceSource(device), Time: events.InstantOf(r.clock()), Data: d})
	if err != nil {
		r.t.Fatal(err)
	}
	r.inLedger(seqs[0])
}

// decided waits until the rules have answered an entry.
func (r *rig) decided(seq uint64) {
	r.t.Helper()
	r.wait("the rules to decide", func() (ok bool) {
		r.service.View(func(st *rules.State) { ok = st.Cause >= seq })
		return ok
	})
}

func (r *rig) inLedger(seq uint64) {
	r.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	if err := r.ledger.WaitFor(ctx, seq); err != nil {
		r.t.Fatal(err)
	}
}

// settled waits until all that is on disk is in the ledger.
func (r *rig) settled() { r.t.Helper(); r.inLedger(r.journal.Last()) }

// wait polls until fn is true.
func (r *rig) wait(what string, fn func() bool) {
	r.t.Helper()
	poll(r.t, what, fn)
}

func poll(t testing.TB, what string, fn func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for !fn() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

func (r *rig) get(path string) (status int, body string) {
	r.t.Helper()
	resp, err := r.client.Get(r.server.URL + path)
	if err != nil {
		r.t.Fatal(err)
	}
	return read(r.t, resp)
}

func (r *rig) post(path string, form url.Values) (status int, body string) {
	r.t.Helper()
	resp, err := r.client.PostForm(r.server.URL+path, form)
	if err != nil {
		r.t.Fatal(err)
	}
	return read(r.t, resp)
}

func read(t testing.TB, resp *http.Response) (int, string) {
	t.Helper()
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(b)
}

// golden compares got with a file in testdata.
func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("%v; run 'go test -update' and look at the difference", err)
	}
	if got != string(want) {
		t.Errorf("%s differs; run 'go test -update' and look at the difference\n%s", file, firstDifference(string(want), got))
	}
}

func firstDifference(want, got string) string {
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range min(len(w), len(g)) {
		if w[i] != g[i] {
			return "want: " + w[i] + "\ngot:  " + g[i]
		}
	}
	return "one is longer than the other"
}
