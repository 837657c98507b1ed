package dashboards

import (
	"context"
	"net/http"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/rules"
)

// metrics is what Prometheus may ask for. Counts over the journal's life come
// from the ledger's totals, so that they go on over restarts; the rest is of
// this run.
type metrics struct {
	registry    *prometheus.Registry
	decisions   prometheus.Counter
	latency     prometheus.Histogram
	requests    *prometheus.HistogramVec
	liveClients prometheus.Gauge
	liveDropped *prometheus.CounterVec
	watchGaps   prometheus.Counter
}

func newMetrics(p *Pages) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		decisions: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "witnessmark_decisions_total", Help: "Decisions of the rules seen by the pages since the start."}),
		latency: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "witnessmark_decision_latency_seconds", Help: "Time from the recorded time of a fact to its decision being on disk and shown.",
			Buckets: []float64{.0005, .001, .002, .005, .01, .02, .05, .1, .2, .5, 1, 5}}),
		requests: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "witnessmark_http_request_duration_seconds", Help: "Time to answer a request, by page and status code.",
			Buckets: []float64{.001, .005, .02, .1, .5, 2, 10}}, []string{"page", "code"}),
		liveClients: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "witnessmark_live_clients", Help: "Open live streams."}),
		liveDropped: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "witnessmark_live_clients_dropped_total", Help: "Live streams that were ended because the client was too slow, by reason."}, []string{"reason"}),
		watchGaps: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "witnessmark_live_gaps_total", Help: "Times that the pages fell behind the decisions and every live stream began anew."}),
	}
	m.liveDropped.WithLabelValues("slow")
	m.liveDropped.WithLabelValues("write")
	m.registry.MustRegister(m.decisions, m.latency, m.requests, m.liveClients, m.liveDropped, m.watchGaps,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), &shopCollector{p, make(chan struct{}, 4)})
	return m
}

// count takes note of decisions as they come.
func (m *metrics) count(us []Update, now time.Time) {
	m.decisions.Add(float64(len(us)))
	at := events.InstantOf(now)
	for i := range us {
		if t := us[i].Fact.Time; t > 0 && t <= at {
			m.latency.Observe(at.Sub(t).Seconds())
		}
	}
}

// timed measures what h takes to answer, under a page's name.
func (m *metrics) timed(page string, h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		start := time.Now()
		c := &codeWriter{ResponseWriter: w, code: http.StatusOK}
		h.ServeHTTP(c, r)
		m.requests.WithLabelValues(page, strconv.Itoa(c.code)).Observe(time.Since(start).Seconds())
	})
}

type codeWriter struct {
	http.ResponseWriter
	code int
}

func (w *codeWriter) WriteHeader(code int) {
	w.code = code
	w.ResponseWriter.WriteHeader(code)
}

// Unwrap lets http.ResponseController reach the connection.
func (w *codeWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

func (m *metrics) handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{})
}

// shopCollector asks state, journal and ledger when it is asked itself.
type shopCollector struct {
	p      *Pages
	asking chan struct{} // holds a token while the ledger is asked
}

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("witnessmark_"+name, help, labels, nil)
}

var (
	descReadings   = desc("readings_total", "Readings taken, over the life of the journal.", "device")
	descRefused    = desc("frames_refused_total", "Frames that no profile could read, over the life of the journal.", "device")
	descRepeated   = desc("frames_repeated_total", "Frames that a tool sent again, over the life of the journal.", "device")
	descGaps       = desc("readings_skipped_total", "Times that a tool's own counter skipped over readings, over the life of the journal.", "device")
	descLastGood   = desc("last_good_reading_timestamp_seconds", "When the last good reading of a device came, Unix time.", "device", "tool", "bench")
	descLinkUp     = desc("device_link_up", "Whether the device's connection is up.", "device")
	descVerdicts   = desc("verdicts_total", "Readings judged, by verdict, over the life of the journal.", "verdict")
	descGrades     = desc("grades_total", "Pulls counted for a fastener, by the evidence grade they were judged with, over the life of the journal.", "grade")
	descSetAside   = desc("pulls_set_aside_total", "Pulls set aside, by what they probably were, over the life of the journal.", "kind")
	descAudits     = desc("residual_audits_total", "Residual-torque audits, by whether they agree with the installation, over the life of the journal.", "result")
	descLoose      = desc("loose_ends_open", "Loose ends of open jobs that nothing has closed yet, by bench.", "bench")
	descQuestions  = desc("questions_open", "Questions that wait for a technician's answer.")
	descRaised     = desc("alerts_raised_total", "Alerts raised, by kind, over the life of the journal.", "kind")
	descOpen       = desc("alerts_open", "Open alerts, by kind.", "kind")
	descUnseen     = desc("alerts_unacknowledged", "Open alerts that nobody has acknowledged.")
	descOldest     = desc("alert_oldest_unacknowledged_timestamp_seconds", "When the oldest alert that nobody has acknowledged was raised, Unix time; 0 if there is none.")
	descJobs       = desc("jobs_open", "Open jobs, by status.", "status")
	descUnplaced   = desc("readings_unplaced", "Readings that wait to be claimed or dismissed.")
	descLast       = desc("journal_last_sequence", "Last sequence on disk.")
	descBytes      = desc("journal_size_bytes", "Bytes that the journal stores.")
	descMaxBytes   = desc("journal_limit_bytes", "Size at which the journal takes no more.")
	descFree       = desc("journal_free_bytes", "Bytes free on the journal's disk.")
	descStuck      = desc("journal_writable", "Whether the journal takes events: 1, or 0 if it is stuck or full.")
	descHoles      = desc("journal_holes", "Runs of entries that are known to be missing.")
	descScrubbed   = desc("journal_scrubbed_timestamp_seconds", "When the whole journal was last read from disk and held against its log of seals, Unix time; 0 if it was not yet since the start.")
	descDamaged    = desc("journal_damaged_entries", "Entries that the last such look found gone or altered.")
	descRestarts   = desc("journal_restarts_total", "Times that the embedded server was restarted after a write error.")
	descCommits    = desc("journal_commits_total", "Group commits since the start.")
	descNotStored  = desc("events_not_stored", "Events of a device that wait although they should be on disk.", "device")
	descPosition   = desc("ledger_position", "Journal sequence up to which the ledger has come.")
	descLag        = desc("ledger_lag_events", "Events that the journal has and the ledger has not.")
	descReady      = desc("ready", "Whether readings are taken and shown: 1, or 0 with the reasons at /readyz.")
	descSteps      = desc("clock_steps_total", "Times that the clock of this machine was set since the start, by a tenth of a second or more.")
	descStepsSum   = desc("clock_steps_seconds_total", "By how much the clock was set in all since the start, forward and back alike.")
	descStepLast   = desc("clock_last_step_seconds", "By how much the clock was set the last time; below 0: back. 0: it was not.")
	allDescs       = []*prometheus.Desc{descReadings, descRefused, descRepeated, descGaps, descLastGood, descLinkUp, descVerdicts, descGrades, descSetAside, descAudits, descLoose, descQuestions, descRaised, descOpen, descUnseen, descOldest, descJobs, descUnplaced, descLast, descBytes, descMaxBytes, descFree, descStuck, descHoles, descScrubbed, descDamaged, descRestarts, descCommits, descNotStored, descPosition, descLag, descReady, descSteps, descStepsSum, descStepLast}
	everyVerdict   = []events.Verdict{events.Within, events.Low, events.High, events.Doubtful}
	everyGrade     = []events.Grade{events.Placed, events.Reasoned, events.Counted}
	everyAside     = []events.ExplanationKind{events.ExplainedRepeat, events.ExplainedSwing, events.ExplainedSameCycle, events.ExplainedNowhere}
	scrapePatience = 5 * time.Second
)

// Describe implements prometheus.Collector.
func (c *shopCollector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range allDescs {
		ch <- d
	}
	for _, d := range boxDescs {
		ch <- d
	}
	for _, d := range toolDescs {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (c *shopCollector) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), scrapePatience)
	defer cancel()
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	counter := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, v, labels...)
	}
	c.fromState(gauge)
	c.fromTools(gauge, counter)
	c.fromJournal(gauge, counter)
	c.fromCapture(gauge)
	c.fromBoxes(gauge, counter)
	c.fromLedger(ctx, ch, gauge, counter)
	gauge(descReady, bit(len(c.p.trouble()) == 0))
	steps, total, last := c.p.clock.said()
	counter(descSteps, float64(steps))
	counter(descStepsSum, total.Seconds())
	gauge(descStepLast, last.Seconds())
}

// fromCapture tells what is known of the devices of this machine.
func (c *shopCollector) fromCapture(gauge emit) {
	if c.p.cfg.Devices == nil {
		return
	}
	for _, d := range c.p.cfg.Devices() {
		gauge(descNotStored, float64(d.NotStored), d.Device.ID)
	}
}

type emit func(d *prometheus.Desc, v float64, labels ...string)

func (c *shopCollector) fromState(gauge emit) {
	open := map[events.AlertKind]int{}
	for k := range alertKinds {
		open[k] = 0
	}
	jobs := map[rules.JobStatus]int{rules.JobActive: 0, rules.JobPaused: 0}
	unseen, unplaced, questions, oldest := 0, 0, 0, events.Instant(0)
	loose := map[string]int{}
	c.p.cfg.Service.View(func(st *rules.State) {
		for _, a := range st.Alerts {
			open[a.Kind]++
			if a.AckBy == "" {
				unseen++
				if oldest == 0 || a.AtUs < oldest {
					oldest = a.AtUs
				}
			}
		}
		for _, j := range st.Jobs {
			jobs[j.Status]++
			loose[j.Bench] += len(j.OpenLooseEnds())
			if j.Question != nil {
				questions++
			}
		}
		unplaced = waiting(st)
		for i := range st.Shop.Benches { // a bench without any is told too
			loose[st.Shop.Benches[i].ID] += 0
		}
	})
	for k, n := range open {
		gauge(descOpen, float64(n), string(k))
	}
	for s, n := range jobs {
		gauge(descJobs, float64(n), string(s))
	}
	for b, n := range loose {
		gauge(descLoose, float64(n), b)
	}
	gauge(descUnseen, float64(unseen))
	gauge(descOldest, seconds(oldest))
	gauge(descUnplaced, float64(unplaced))
	gauge(descQuestions, float64(questions))
}

// waiting counts the unplaced readings that somebody must claim or dismiss:
// those that were set aside may be claimed too, but nobody need do so.
func waiting(st *rules.State) int {
	aside := map[uint64]bool{}
	for _, j := range st.Jobs {
		for i := range j.Aside {
			id := j.Aside[i].Reading
			if _, ok := st.Unplaced[id]; ok {
				aside[id] = true
			}
		}
	}
	return len(st.Unplaced) - len(aside)
}

func (c *shopCollector) fromJournal(gauge, counter emit) {
	if c.p.cfg.Journal == nil {
		return
	}
	st := c.p.cfg.Journal.Stats()
	gauge(descLast, float64(st.Last))
	gauge(descBytes, float64(st.Bytes))
	gauge(descMaxBytes, float64(st.MaxBytes))
	gauge(descFree, float64(st.FreeDisk))
	gauge(descStuck, bit(st.State == "ok"))
	gauge(descHoles, float64(st.Holes))
	scrubbed := c.p.scrubbed()
	at := 0.0
	if !scrubbed.At.IsZero() {
		at = float64(scrubbed.At.UnixMilli()) / 1000
	}
	gauge(descScrubbed, at)
	gauge(descDamaged, float64(scrubbed.Gone+scrubbed.Altered))
	counter(descRestarts, float64(st.Restarts))
	counter(descCommits, float64(st.Commits))
	pos := c.p.cfg.Ledger.Position()
	gauge(descPosition, float64(pos))
	gauge(descLag, float64(max(st.Last, pos)-pos))
}

// fromLedger leaves the ledger's figures out while the disk does not answer:
// the others, which tell of it, must come through.
func (c *shopCollector) fromLedger(ctx context.Context, ch chan<- prometheus.Metric, gauge, counter emit) {
	got := c.look(ctx)
	if got == nil {
		return
	}
	t, ds, err := got.totals, got.devices, got.err
	if err != nil {
		ch <- prometheus.NewInvalidMetric(descVerdicts, err)
		return
	}
	for _, v := range everyVerdict {
		counter(descVerdicts, float64(t.Verdicts[string(v)]), string(v))
	}
	for _, g := range everyGrade {
		counter(descGrades, float64(t.Grades[string(g)]), string(g))
	}
	for _, k := range everyAside {
		t.SetAside[string(k)] += 0 // told also before the first
	}
	for k, n := range t.SetAside {
		counter(descSetAside, float64(n), k)
	}
	for _, result := range []string{"agrees", "differs"} {
		counter(descAudits, float64(t.Residuals[result]), result)
	}
	for k := range alertKinds {
		counter(descRaised, float64(t.Alerts[string(k)]), string(k))
	}
	for i := range ds {
		device(&ds[i], gauge, counter)
	}
}

// ledgerLook is what the ledger said.
type ledgerLook struct {
	totals  ledger.Totals
	devices []ledger.Device
	err     error
}

// look asks the ledger; nil if it does not answer in time, or if an earlier
// question still hangs.
func (c *shopCollector) look(ctx context.Context) *ledgerLook {
	select {
	case c.asking <- struct{}{}:
	default:
		return nil
	}
	answer := make(chan *ledgerLook, 1)
	go func() {
		defer func() { <-c.asking }()
		var l ledgerLook
		if l.totals, l.err = c.p.cfg.Ledger.Totals(ctx); l.err == nil {
			l.devices, l.err = c.p.cfg.Ledger.Devices(ctx)
		}
		answer <- &l
	}()
	select {
	case l := <-answer:
		return l
	case <-ctx.Done():
		return nil
	}
}

func device(d *ledger.Device, gauge, counter emit) {
	counter(descReadings, float64(d.Readings), d.ID)
	counter(descRefused, float64(d.Refused), d.ID)
	counter(descRepeated, float64(d.Repeated), d.ID)
	counter(descGaps, float64(d.Gaps), d.ID)
	at := events.Instant(0) // 0: never; alert rules see it as very old
	if d.Last != nil {
		at = d.Last.ReceivedAtUs
	}
	gauge(descLastGood, seconds(at), d.ID, d.Tool, d.Bench)
	gauge(descLinkUp, bit(d.Link != nil && d.Link.State == events.LinkUp), d.ID)
}

func bit(ok bool) float64 {
	if ok {
		return 1
	}
	return 0
}

func seconds(at events.Instant) float64 { return float64(at) / 1e6 }
