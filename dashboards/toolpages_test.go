package dashboards

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules"
)

// past writes a history into the journal before the service starts.
type past struct {
	t testing.TB
	r *rig
}

func (p *past) decide(at events.Instant, os ...events.OutcomeData) uint64 {
	p.t.Helper()
	ctx := context.Background()
	seqs, err := p.r.journal.Append(ctx, events.Event{Source: events.SourceClock, Time: at, Data: events.TimeReached{AtUs: at}})
	if err != nil {
		p.t.Fatal(err)
	}
	d := events.Decided{Cause: seqs[0], CauseUs: at, Rules: rules.Version}
	for _, o := range os {
		d.Outcomes = append(d.Outcomes, events.Outcome{Data: o})
	}
	if _, err := p.r.journal.Append(ctx, events.Event{Source: events.SourceRules, Time: at, Data: d}); err != nil {
		p.t.Fatal(err)
	}
	return seqs[0]
}

func daysAgo(n float64) events.Instant {
	return events.InstantOf(theDay.Add(-time.Duration(n * 24 * float64(time.Hour))))
}

// toolShop is the invented shop with a tool in each state.
func toolShop() events.Shop {
	s := testShop()
	nm := func(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }
	wrench := func(id, name, due string) events.Tool {
		return events.Tool{ID: id, Name: name, Kind: events.ToolTorqueWrench, Serial: strings.ToUpper(id), Least: nm(10), Most: nm(200), URel: 0.015, Calibrated: "2026-01-15", Due: due, Class: "I C", Place: "board by the axle bench"}
	}
	s.Tools = append(s.Tools, wrench("k2-08", "Orrin K2 no. 8", "2026-12-10"), wrench("k2-09", "Orrin K2 no. 9", "2026-11-01"), wrench("s5-02", "Velm S5 no. 2", "2027-04-01"),
		wrench("s5-03", "Velm S5 no. 3", "2027-04-01"))
	s.Tools[0].Class = "I C"
	s.People = append(s.People, events.Person{ID: "quim", Name: "Quim Sala", Role: events.RoleMetrology})
	return s
}

// toolsPast is what befell the tools of toolShop: k2-07 is checked daily and in
// order; k2-08 drifts and is due soon; k2-09 is overdue; s5-02 was found out of
// tolerance after many pulls; s5-03 is suspect.
func toolsPast(t testing.TB, r *rig) {
	p := &past{t: t, r: r}
	rnd := rand.New(rand.NewPCG(9, 9))
	nm := func(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }
	p.decide(daysAgo(320), events.ShopAdopted{Shop: toolShop(), Hash: "t"}, events.ProcedureReleased{Procedure: "RA-210", Revision: "T", Title: "Rear cover", Text: coverProcedure, Hash: "h", By: "maren", AtUs: daysAgo(320)})
	result := func(point, deviation float64) events.CalibrationResult {
		st := events.StandingGood
		if math.Abs(deviation) > 4 {
			st = events.StandingBad
		}
		return events.CalibrationResult{Point: nm(point), Direction: "cw", N: 5, Unit: "%", Deviation: deviation, Least: deviation - 0.3, Most: deviation + 0.3, U: 0.6, Permitted: 4, Accept: 3.4, P: 0.99, Standing: st,
			Budget: []events.BudgetLine{{Name: "reference", Source: "certificate", Type: "B", Shape: "normal", Stated: 0.4, U: 0.2, Share: 0.5}, {Name: "repeatability", Source: "5 readings", Type: "A", Shape: "normal", Stated: 0.2, U: 0.2, Share: 0.5}}}
	}
	calibrate := func(tool, id string, ago float64, phase events.Phase, due string, rs ...events.CalibrationResult) {
		st := events.StandingGood
		for _, x := range rs {
			if x.Standing == events.StandingBad {
				st = events.StandingBad
			}
		}
		at := daysAgo(ago)
		p.decide(at, events.CalibrationJudged{Calibration: id, Tool: tool, Reference: "tester", Bench: "axle", Phase: phase, Rule: "guard", K: 2, Standing: st, Results: rs, Date: at.Time().Format(time.DateOnly), Due: due, By: "quim", AtUs: at, Cycles: int64(10 * (320 - ago))})
	}
	check := func(tool string, n int, ago, deviation float64) {
		at := daysAgo(ago)
		p.decide(at, events.CheckJudged{Check: fmt.Sprintf("%s-c%d", tool, n), Tool: tool, Reference: "tester", Bench: "axle", Point: nm(60), Deviations: []float64{deviation}, Deviation: deviation, U: 0.7, Permitted: 4, Standing: events.StandingGood, By: "ines", AtUs: at, Cycles: int64(10 * (320 - ago))})
	}
	calibrate("k2-07", "K2-07-1", 163, events.PhaseFound, "2027-06-15", result(10, 0.8), result(120, 0.4), result(200, 0.2))
	for i := range 45 {
		check("k2-07", i, 90-2*float64(i), 0.4+0.35*rnd.NormFloat64())
	}
	calibrate("k2-08", "K2-08-1", 300, events.PhaseFound, "", result(10, 5.2), result(120, 4.4), result(200, 3.1))
	p.decide(daysAgo(299), events.ToolAdjusted{Tool: "k2-08", What: "spring renewed", By: "quim", AtUs: daysAgo(299)})
	calibrate("k2-08", "K2-08-2", 299, events.PhaseLeft, "2026-12-10", result(10, 0.3), result(120, 0.1), result(200, -0.1))
	for i := range 14 {
		ago := 280 - 20*float64(i)
		check("k2-08", i, ago, 0.1+2.9*(299-ago)/299+0.25*rnd.NormFloat64())
	}
	calibrate("s5-02", "S5-02-1", 200, events.PhaseFound, "2027-04-01", result(10, 0.5), result(120, 0.2), result(200, 0.1))
	for job := range 6 {
		id := fmt.Sprintf("J-%d", 70+job)
		ago := 150 - 24*float64(job)
		p.decide(daysAgo(ago), events.JobOpened{Job: id, UnitSerial: fmt.Sprintf("RA-77%03d", job), Customer: []string{"Hollin Haulage", "Brae Farms"}[job/3], Procedure: "RA-210", Revision: "T", Hash: "h", Bench: "axle", By: "ines", AtUs: daysAgo(ago)})
		for k := range 6 {
			at := daysAgo(ago - 0.001*float64(k+1))
			v := 45 * (1 + 0.02*rnd.NormFloat64())
			p.decide(at, events.ReadingJudged{Reading: uint64(5000 + 10*job + k), Job: id, Step: "cover", Pass: 1, Fastener: fmt.Sprint(k + 1), Verdict: events.Within, Grade: events.Counted, Value: nm(v), Text: fmt.Sprintf("%.1f", v), Unit: "N.m",
				LSL: nm(40.5), Target: nm(45), USL: nm(49.5), U: nm(0.7), Tool: "s5-02", Bench: "axle", By: "ines", AtUs: at, Class: []string{"B", "A"}[job%2]})
		}
		if job < 5 {
			p.decide(daysAgo(ago-0.1), events.JobReleased{Job: id, By: "maren", AtUs: daysAgo(ago - 0.1)})
		}
	}
	calibrate("s5-02", "S5-02-2", 2, events.PhaseFound, "", result(10, 9.5), result(120, 12.8), result(200, 11.4))
	point := quantity.Millimetres(5).Value()
	p.decide(daysAgo(30), events.CertificateEntered{Certificate: "L-4471", Tool: "d3-01", Laboratory: "A laboratory outside", Phase: events.PhaseFound, Date: daysAgo(30).Time().Format(time.DateOnly), Due: rules.NeverDue, K: 2, Standing: events.StandingGood,
		Results: []events.CalibrationResult{{Point: point, Direction: "in", N: 2, Unit: "mm", Deviation: 0.0031, Least: 0.003, Most: 0.0032, U: 0.0012, Permitted: 0.02, Accept: 0.0188, P: 1, Standing: events.StandingGood}},
		File:    "L-4471.pdf", FileHash: strings.Repeat("ab12", 16), FileSize: 48211, By: "quim", AtUs: daysAgo(30)})
	p.decide(daysAgo(20), events.DriftSignalled{Tool: "d3-01", Point: point, Direction: "in", Source: "L-4471", Rule: "EWMA chart", High: true, SinceUs: daysAgo(40), Value: 0.0031, Centre: 0.0004, SD: 0.0009, ARL0: 1000, ARL1: 9, Shift: 1, AtUs: daysAgo(20)})
	p.decide(daysAgo(1), events.ToolSuspected{Tool: "s5-03", Factor: 0.951, Lower: 0.934, Upper: 0.968, Pulls: 384, Visits: 48, Peers: 3, Z: -5.1, Bound: 4.2, False: 0.01, AtUs: daysAgo(1),
		Why: "Velm S5 no. 3 (s5-03) reads 4.9 % less than its peers on like joints (between -6.6 and -3.2 %), by the torque rates of 384 pulls on 48 joints. This is a suspicion, not a verdict: check it on the bench."})
}

// TestToolPages walks from the list of tools to the recall of one, opens it,
// sees the bench warn, and closes its lines.
func TestToolPages(t *testing.T) {
	r := newRig(t, func(r *rig, _ *Config) { toolsPast(t, r) })
	r.settled()
	page := func(path string, want ...string) string {
		t.Helper()
		status, body := r.get(path)
		if status != http.StatusOK {
			t.Fatalf("%s: status %d\n%s", path, status, body)
		}
		for _, w := range want {
			if !strings.Contains(body, w) {
				t.Errorf("%s does not say %q", path, w)
			}
		}
		return body
	}
	list := page("/tools", `data-mark="good"`, `data-mark="due"`, `data-mark="stopped"`, `data-mark="drift"`, "Out of tolerance", "Overdue", "Due soon", "Suspect", "in 15 days", "24 days ago")
	if strings.Index(list, "Velm S5 no. 2") > strings.Index(list, "Orrin K2 no. 7") {
		t.Error("the tool that was found bad does not come first")
	}
	golden(t, "tools.html", still(list))
	golden(t, "tool.html", still(page("/tools/s5-02", "Certificate (PDF)", "OUTSIDE its limits", "J-75", "S5-02-1")))
	page("/tools/k2-07", "EWMA chart", "a year", "A tool in order signals once in")
	page("/tools/k2-08", "It drifts by", "It could leave", "spring renewed")
	// Micrometres are seen, and a tool that no date bounds is not due in the year 9999.
	page("/tools/d3-01", "&#43;0.0031 ± 0.0012 mm", "It read &#43;0.0031 mm, usual is &#43;0.0004 mm (standard deviation 0.0009)", "by no date", "L-4471.pdf, 48211 bytes, SHA-256 ab12")
	if strings.Contains(list, "9999") || !strings.Contains(list, "&#43;0.0031 mm at 5 mm, going in") {
		t.Error("the list tells the indicator's date or deviation wrongly")
	}
	if devices := page("/devices", "by no date"); strings.Contains(devices, "9999") {
		t.Error("the devices' page knows no more than the shop file")
	}
	page("/tools/s5-03", "This is a suspicion, not a verdict")
	for _, plot := range []string{"0/history.svg", "0/chart-0.svg", "0/chart-1.svg", "1/history.svg"} {
		if body := page("/tools/k2-07/plots/" + plot); !strings.Contains(body, "</svg>") {
			t.Errorf("%s is no picture", plot)
		}
	}
	if pdf := page("/tools/s5-02/calibrations/S5-02-2.pdf"); !strings.HasPrefix(pdf, "%PDF-") {
		t.Error("the certificate is no PDF")
	}
	for _, missing := range []string{"/tools/k2-07/calibrations/S5-02-2.pdf", "/tools/s5-02/calibrations/x.pdf", "/tools/s5-02/calibrations/S5-02-2", "/tools/none", "/tools/none/recall", "/tools/k2-07/plots/9/history.svg", "/tools/k2-07/plots/0/chart-9.svg", "/tools/k2-07/plots/0/x", "/tools/s5-02/plots/0/chart-0.svg", "/recalls/none"} {
		if status, _ := r.get(missing); status != http.StatusNotFound {
			t.Errorf("%s: status %d", missing, status)
		}
	}
	page("/tools/k2-07/recall", "No calibration, check or certificate found tool k2-07 out of tolerance")
	page("/tools/s5-02/recall?deviation=x", "is no deviation")
	preview := page("/tools/s5-02/recall", "Shipped", "Hollin Haulage", "Last known good", "J-75")
	golden(t, "recall-preview.html", still(preview))
	if status, _ := r.post("/tools/s5-02/recall", url.Values{"by": {"quim"}}); status != http.StatusBadRequest {
		t.Errorf("opened without a reason: %d", status)
	}
	status, body := r.post("/tools/s5-02/recall", url.Values{"by": {"quim"}, "words": {"found 12.8 % high"}})
	if status != http.StatusOK || !strings.Contains(body, "lines wait") {
		t.Fatalf("status %d\n%s", status, body)
	}
	rs, err := r.ledger.Recalls(t.Context(), "s5-02")
	if err != nil || len(rs) != 1 || rs[0].Total == 0 || rs[0].Open != rs[0].Total {
		t.Fatalf("%v, %+v", err, rs)
	}
	id := rs[0].Recall
	golden(t, "recall.html", still(page("/recalls/"+id)))
	page("/recalls", id)
	page("/tools", "Recall "+id)
	page("/bench/axle", "This unit is in doubt", id) // J-75 is there
	lines, err := r.ledger.RecallLines(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	if status, _ := r.post("/recalls/"+id, url.Values{"by": {"maren"}, "how": {"accepted"}, "words": {"x"}}); status != http.StatusBadRequest {
		t.Errorf("closed no lines: %d", status)
	}
	if status, body := r.post("/recalls/"+id, url.Values{"by": {"ines"}, "how": {"accepted"}, "words": {"x"}, "line": {"1"}}); status != http.StatusConflict {
		t.Errorf("a technician accepted: %d\n%s", status, body)
	}
	form := url.Values{"by": {"maren"}, "how": {"called_back"}, "reason": {recallReasons[2]}}
	for _, l := range lines {
		form.Add("line", fmt.Sprint(l.Line))
	}
	if status, body := r.post("/recalls/"+id, form); status != http.StatusOK || !strings.Contains(body, "Closed: all") {
		t.Errorf("status %d\n%s", status, body)
	}
	if body := page("/bench/axle"); strings.Contains(body, "in doubt") {
		t.Error("the bench warns of a closed recall")
	}
}

// TestIdleIsNoWork: an indicator works near its zero, and what it shows then is no
// drift of the zero.
func TestIdleIsNoWork(t *testing.T) {
	r := guidedRig(t)
	r.feed(20, func(float64) float64 { return 0 })
	r.feed(30, func(s float64) float64 { return 0.05 * (1 - math.Cos(s)) })
	r.feed(10, func(float64) float64 { return 0.11 })
	_, page := r.get("/tools/d3-01")
	wants(t, "the page", page, "While it lay idle its zero does not drift", "from 19 runs of samples")
}

// TestChangedTool: a tool in order whose chart signalled lately is marked, until
// it is adjusted or a month has passed.
func TestChangedTool(t *testing.T) {
	signal := ledger.DriftSignal{DriftSignalled: events.DriftSignalled{Tool: "k2", High: true, SinceUs: daysAgo(9), AtUs: daysAgo(5)}}
	adjusted := ledger.Adjusted{ToolAdjusted: events.ToolAdjusted{AtUs: daysAgo(3)}}
	old := signal
	old.AtUs = daysAgo(31)
	for name, c := range map[string]struct {
		mark     toolMark
		signals  []ledger.DriftSignal
		adjusted []ledger.Adjusted
		want     toolMark
	}{
		"lately": {markGood, []ledger.DriftSignal{signal}, nil, markDrift}, "adjusted since": {markGood, []ledger.DriftSignal{signal}, []ledger.Adjusted{adjusted}, markGood},
		"long ago": {markGood, []ledger.DriftSignal{old}, nil, markGood}, "stopped all the same": {markStopped, []ledger.DriftSignal{signal}, nil, markStopped}, "none": {markGood, nil, nil, markGood},
	} {
		l := toolLine{Mark: c.mark}
		if l.drifts(c.signals, c.adjusted, theDay); l.Mark != c.want || (l.Mark == markDrift) != strings.Contains(strings.Join(l.Why, ""), "reads more") {
			t.Errorf("%s: %+v", name, l)
		}
	}
}

// TestToolMetrics: what Prometheus is told of the tools is what befell them.
func TestToolMetrics(t *testing.T) {
	r := newRig(t, func(r *rig, _ *Config) { toolsPast(t, r) })
	r.settled()
	r.post("/tools/s5-02/recall", url.Values{"by": {"quim"}, "words": {"found 12.8 % high"}})
	_, body := r.get("/metrics")
	promtool(t, body, "check", "metrics")
	for _, want := range []string{
		`witnessmark_tool_due_timestamp_seconds{tool="k2-08"} 1.7969472e+09`, // 2026-12-11, the day after the last
		`witnessmark_tool_in_order{tool="k2-07"} 1`, `witnessmark_tool_in_order{tool="k2-09"} 0`, `witnessmark_tool_in_order{tool="s5-02"} 0`,
		`witnessmark_tool_deviation_ratio{point_base="120",tool="s5-02"} 0.128`,
		`witnessmark_tool_suspect{tool="s5-03"} 1`, `witnessmark_tool_suspect{tool="k2-07"} 0`, `witnessmark_tool_suspect_factor{tool="s5-03"} 0.951`,
		`witnessmark_recalls_open{tool="s5-02"} 1`, `witnessmark_recall_lines_open{tool="s5-02"} 23`, `witnessmark_recalls_open{tool="k2-07"} 0`,
	} {
		if !strings.Contains(body, want+"\n") {
			t.Errorf("metrics lack %s", want)
		}
	}
}
