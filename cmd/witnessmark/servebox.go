package main

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"witnessmark/dashboards"
	"witnessmark/dashboards/outward"
	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/ingest"
)

const roleBench = "bench"

// benchBox is a bench box while it runs: a journal of its own, capture, and a
// small page that says how it is.
type benchBox struct {
	id      string
	shop    events.Shop
	address string
	journal *journal.Journal
	capture *ingest.Capture
	listen  net.Listener
	lamps   *outward.Lamps // nil: it has none
}

func serveBox(c *cobra.Command, cfg config) error {
	b, err := openBox(c.Context(), cfg)
	if err != nil {
		return err
	}
	fmt.Fprintf(c.ErrOrStderr(), "bench box %s of %s captures; its state: http://%s  (Ctrl-C stops)\n", b.id, b.shop.Name, b.listen.Addr())
	return b.run(c.Context())
}

func openBox(ctx context.Context, cfg config) (_ *benchBox, err error) {
	shop, err := readShop(cfg.Shop)
	if err != nil {
		return nil, err
	}
	f, err := readBoxFile(cfg.Box)
	if err != nil {
		return nil, err
	}
	if f.Shop != shop.ID {
		return nil, fmt.Errorf("%s is for a bench box of shop %q, but %s describes shop %q: bring the right shop file", cfg.Box, f.Shop, cfg.Shop, shop.ID)
	}
	devices := devicesOf(shop, f.Box)
	if len(devices) == 0 {
		return nil, fmt.Errorf("no device in %s says 'box: %s', so there is nothing to capture", cfg.Shop, f.Box)
	}
	b := &benchBox{id: f.Box, shop: shop, address: f.Address}
	defer func() {
		if err != nil {
			b.close()
		}
	}()
	if err := os.MkdirAll(cfg.Data, 0o755); err != nil {
		return nil, fmt.Errorf("make data directory: %w", err)
	}
	if b.listen, err = net.Listen("tcp", cfg.Listen); err != nil {
		return nil, fmt.Errorf("open %s for the state page: %w; name another address with --listen", cfg.Listen, err)
	}
	if a, ok := b.listen.Addr().(*net.TCPAddr); !ok || !a.IP.IsLoopback() {
		return nil, fmt.Errorf("listen is %s: the state page of a bench box is for the box itself: use 127.0.0.1", cfg.Listen)
	}
	up, err := f.uplink()
	if err != nil {
		return nil, err
	}
	var told func([]journal.LampAlert) journal.LampState
	if cfg.Alerts != "" {
		if b.lamps, err = outward.LoadLamps(cfg.Alerts, cfg.logger()); err != nil {
			return nil, err
		}
		told = lampsOf(b.lamps)
	}
	if b.journal, err = openJournalWith(ctx, cfg, shop.ID, func(j *journal.Config) { j.Uplink, j.Now, j.Lamps = up, cfg.now, told }); err != nil {
		return nil, err
	}
	b.capture, err = ingest.New(ingest.Config{Devices: devices, Profiles: profiles(cfg.Profiles), Journal: b.journal, Log: cfg.logger(), OpenPort: cfg.openPort, Now: cfg.now})
	return b, err
}

func (b *benchBox) close() {
	if b.journal != nil {
		_ = b.journal.Close() // what was not stored was not confirmed either
	}
	if b.listen != nil {
		_ = b.listen.Close()
	}
}

// run captures until ctx ends.
func (b *benchBox) run(ctx context.Context) error {
	defer b.close()
	srv := &http.Server{Handler: b.handler(), ReadHeaderTimeout: 5 * time.Second}
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return b.capture.Run(ctx) })
	if b.lamps != nil {
		g.Go(func() error { return b.lamps.Run(ctx) })
	}
	g.Go(func() error {
		defer context.AfterFunc(ctx, func() { _ = srv.Close() })()
		if err := srv.Serve(b.listen); !errors.Is(err, http.ErrServerClosed) {
			return fmt.Errorf("serve the state page: %w", err)
		}
		return nil
	})
	return ignoreCancel(g.Wait())
}

func (b *benchBox) handler() http.Handler {
	reg := prometheus.NewRegistry()
	gauge := func(name, help string, fn func() float64) {
		reg.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Namespace: "witnessmark", Subsystem: "box", Name: name, Help: help}, fn))
	}
	gauge("shop_reached", "1 while this bench box is connected to its shop.", func() float64 { return bit01(b.journal.UplinkUp()) })
	gauge("events_stored", "Events on the disk of this bench box.", func() float64 { return float64(b.journal.Last()) })
	gauge("stores", "1 while events go to the disk of this bench box.", func() float64 { return bit01(b.journal.Stats().State == journal.StateOK) })
	gauge("devices_connected", "Devices of this bench box whose line is open.", func() float64 {
		n := 0
		for _, s := range b.capture.Status() {
			if s.Link == events.LinkUp {
				n++
			}
		}
		return float64(n)
	})
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(reg, promhttp.HandlerOpts{}))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		if st := b.journal.Stats(); st.State != journal.StateOK {
			http.Error(w, st.Detail, http.StatusServiceUnavailable)
			return
		}
		_, _ = io.WriteString(w, "captures\n")
	})
	mux.HandleFunc("GET /status", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		_, _ = io.WriteString(w, strings.Join(b.lines(), "\n")+"\n")
	})
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'")
		_ = boxPage.Execute(w, struct {
			Box   string
			Up    bool
			Lines []string
		}{b.id, b.journal.UplinkUp(), b.lines()})
	})
	return mux
}

func bit01(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

var boxPage = template.Must(template.New("box").Parse(`<!doctype html><html lang="en"><meta charset="utf-8"><meta http-equiv="refresh" content="2">
<title>Bench box {{.Box}}</title><style>body{font:1.6rem system-ui,sans-serif;margin:2rem;max-width:60rem}li{margin:.4rem 0}</style>
<h1>{{if .Up}}● Captures, and reaches the shop{{else}}▲ Captures. The shop cannot be reached{{end}}</h1>
{{if not .Up}}<p>Go on working. Every reading is kept here and goes to the shop once the line is back. What counts for which fastener shows then.</p>{{end}}
<ul>{{range .Lines}}<li>{{.}}</li>{{end}}</ul></html>
`))

// lines say how the box is, most important first.
func (b *benchBox) lines() []string {
	st := b.journal.Stats()
	var out []string
	if st.State == journal.StateOK {
		out = append(out, fmt.Sprintf("bench box %s captures: %d events on its disk", b.id, st.Last))
	} else {
		out = append(out, fmt.Sprintf("bench box %s does NOT store what its tools send: %s", b.id, st.Detail))
	}
	if b.journal.UplinkUp() {
		out = append(out, "the shop is reached at "+b.address)
	} else {
		out = append(out, "the shop cannot be reached at "+b.address+"; readings are kept here and go there once the line is back")
	}
	for _, s := range b.capture.Status() {
		line := fmt.Sprintf("%s (%s): %s", s.Device.ID, s.Device.Tool, s.Link)
		if s.Detail != "" {
			line += ": " + s.Detail
		}
		if s.LastText != "" {
			line += fmt.Sprintf("; last reading %s", s.LastText)
		}
		out = append(out, line)
	}
	if b.lamps != nil {
		switch lamps, lit, trouble := b.lamps.State(); {
		case trouble != "":
			out = append(out, "a lamp or horn CANNOT be switched: "+trouble)
		default:
			out = append(out, fmt.Sprintf("lamps and horns: %d of %d on", lit, lamps))
		}
	}
	return out
}

// boxStatus tells the pages how the bench boxes are.
func (s *stack) boxStatus() (out []dashboards.BoxStatus) {
	if s.cfg.BoxesListen == "" {
		return nil
	}
	limit, _ := time.ParseDuration(s.cfg.ClockLimit) // validated
	for _, x := range s.arrivals.Status() {
		lamps := s.lamps.of(x.Box)
		out = append(out, dashboards.BoxStatus{
			Box: x.Box, Up: x.Link.Up, Since: x.Since, From: x.Link.IP, Flowing: x.Link.Flowing, Waiting: x.Link.Waiting,
			Compared: x.Compared, Ahead: x.Ahead, RoundTrip: x.RoundTrip, ClockLimit: limit, Taken: x.Taken, Late: x.Late, Refused: x.Refused,
			Lamps: lamps.Lamps, Lit: lamps.Lit, LampTrouble: lamps.Trouble,
		})
	}
	return out
}
