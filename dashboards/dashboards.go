// Package dashboards is everything that people look at: the bench page with
// its live drawing, jobs and their records, alerts, devices, procedures, and
// what machines look at: metrics, health, the live stream.
//
// Pages are rendered on the server. A page shows what is on disk and nothing
// else: open work comes from the state that the rules folded from decisions
// in the journal, the past comes from the ledger. Whatever a person asks for
// becomes an event first; the page shows the answer.
package dashboards

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"slices"
	"time"

	"witnessmark/dashboards/access"
	"witnessmark/dashboards/api"
	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
	"witnessmark/ingest"
	"witnessmark/rules"
)

// Viewer shows the state of decisions that are on disk.
type Viewer interface {
	View(fn func(*rules.State))
}

// Submitter appends a request and waits for its decision.
type Submitter interface {
	Submit(ctx context.Context, d events.Data) (events.Entry, events.Decided, error)
}

// Service is what the pages need of the running rules.
type Service interface {
	Viewer
	Submitter
}

// Journal is what the pages need to know of the journal.
type Journal interface {
	Last() uint64
	Holes() []journal.Hole
	Stats() journal.Stats
}

// Noter takes facts into the journal.
type Noter interface {
	Append(ctx context.Context, es ...events.Event) ([]uint64, error)
}

// Config says what the pages show. Service, Watch and Ledger are needed; the
// rest may be left out, then pages say that they do not know.
type Config struct {
	Service Service
	Watch   WatchFunc      // decisions as they come; see Watch
	Ledger  *ledger.Ledger // the past
	// Early gives decisions on readings that are on disk, before the decision
	// itself is; the figure and its verdict show then, the mark on the
	// fastener with the decision. nil: both show together.
	Early   WatchFunc
	Journal Journal
	// Photos keeps photos; nil: none are taken.
	Photos PhotoStore
	// Devices returns how every device of this machine is now; nil where
	// nothing is captured.
	Devices func() []ingest.DeviceStatus
	// Boxes returns how every bench box is now; nil where there are none.
	Boxes func() []BoxStatus
	// Chain returns what the hub of the chain tells now; nil where none is named.
	Chain func() Chain
	// Ready is closed once the state has caught up with the journal; nil
	// means that it always has.
	Ready <-chan struct{}
	Log   *slog.Logger     // nil: slog.Default
	Now   func() time.Time // nil: time.Now
	// Hosts are further names under which the pages may be asked for on a
	// loopback address, where a proxy stands in front.
	Hosts []string
	// Access decides who may do what; nil: everybody may do everything.
	Access *access.Keeper
	// Steady is a clock that nobody sets and that goes on while the machine
	// sleeps; steps of Now are measured against it. nil: the machine's own,
	// or none where Now is given.
	Steady func() (time.Duration, error)
	// Note takes what the pages find out about this machine into the journal;
	// nil: it is only logged.
	Note Noter
	// Seals gives sealed records; nil where nothing is sealed.
	Seals Seals
	// Banner is shown on every page, such as "Demo: all data is invented".
	Banner string
}

// Pages serves everything. Run must run beside it.
type Pages struct {
	cfg     Config
	log     *slog.Logger
	now     func() time.Time
	hub     *hub
	metrics *metrics
	clock   *clockWatch // nil: not watched
	views   *views
	handler http.Handler

	patterns []string // under which something is served
}

// New returns the pages. They answer at once; live updates start with Run.
func New(cfg Config) (*Pages, error) {
	if cfg.Service == nil || cfg.Watch == nil || cfg.Ledger == nil {
		return nil, errors.New("make pages: Service, Watch and Ledger are needed")
	}
	p := &Pages{cfg: cfg, log: cfg.Log, now: cfg.Now}
	if p.log == nil {
		p.log = slog.Default()
	}
	steady := cfg.Steady
	if p.now == nil {
		p.now = time.Now
		if steady == nil {
			steady = bootTime
		}
	}
	if steady != nil {
		p.clock = &clockWatch{wall: p.now, steady: steady}
	}
	var err error
	if p.views, err = newViews(); err != nil {
		return nil, err
	}
	if cfg.Access != nil {
		p.cfg.Service = lockedService{cfg.Service, cfg.Access.Submitter(cfg.Service)}
	}
	p.metrics = newMetrics(p)
	p.hub = newHub(cfg.Service, p.metrics, p.now)
	p.handler, err = p.routes()
	return p, err
}

// ServeHTTP implements http.Handler.
func (p *Pages) ServeHTTP(w http.ResponseWriter, r *http.Request) { p.handler.ServeHTTP(w, r) }

// Run follows the decisions and feeds the live streams until ctx ends; then
// it ends every stream, so that a server can shut down.
func (p *Pages) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	done := make(chan struct{})
	go func() {
		defer close(done)
		p.watchTrouble(ctx)
	}()
	clock := make(chan struct{})
	go func() {
		defer close(clock)
		if p.clock != nil {
			p.clock.run(ctx, clockEvery, func(s clockStep) { p.noteStep(ctx, s) })
		}
	}()
	early := make(chan struct{})
	go func() {
		defer close(early)
		p.hub.runEarly(ctx, p.cfg.Early)
	}()
	err := p.hub.run(ctx, p.cfg.Watch)
	cancel()
	<-done
	<-early
	<-clock
	return err
}

// watchTrouble tells the pages when what is shown by trouble changes.
func (p *Pages) watchTrouble(ctx context.Context) {
	tick := time.NewTicker(troubleEvery)
	defer tick.Stop()
	was := p.notices()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			if is := p.notices(); !slices.Equal(was, is) {
				was = is
				p.hub.tell()
			}
		}
	}
}

func (p *Pages) routes() (http.Handler, error) {
	mux := &doors{p: p, mux: http.NewServeMux()}
	page := func(pattern, name string, h func(http.ResponseWriter, *http.Request) error) {
		mux.handle(pattern, p.metrics.timed(name, p.page(h)))
	}
	page("GET /{$}", "overview", p.overview)
	page("GET /bench/{bench}", "bench", p.bench)
	page("GET /bench/{bench}/ask/{what}", "ask", p.ask)
	page("GET /jobs", "jobs", p.patient(p.abreast(p.jobs)))
	page("GET /jobs/{job}", "job", p.patient(p.abreast(p.job)))
	page("GET /alerts", "alerts", p.patient(p.abreast(p.alerts)))
	page("GET /devices", "devices", p.patient(p.abreast(p.devices)))
	page("GET /chain", "chain", p.patient(p.chain))
	page("GET /chain/{shop}", "chain-shop", p.patient(p.chainOne))
	page("GET /tools", "tools", p.patient(p.abreast(p.tools)))
	page("GET /tools/{tool}", "tool", p.patient(p.abreast(p.tool)))
	page("GET /tools/{tool}/plots/{point}/{plot}", "tool-plot", p.toolPlot)
	page("GET /tools/{tool}/calibrations/{file}", "certificate", p.certificate)
	page("GET /tools/{tool}/recall", "recall-preview", p.patient(p.abreast(p.recallPreview)))
	page("POST /tools/{tool}/recall", "recall-open", p.openRecall)
	page("GET /tools/{tool}/certificate", "certificate-ask", p.askCertificate)
	page("POST /tools/{tool}/certificate", "certificate-enter", p.enterCertificate)
	page("GET /recalls", "recalls", p.patient(p.abreast(p.recallList)))
	page("GET /recalls/{recall}", "recall", p.patient(p.abreast(p.recallPage)))
	page("POST /recalls/{recall}", "recall-close", p.closeLines)
	page("GET /procedures", "procedures", p.patient(p.abreast(p.procedures)))
	page("GET /procedures/{procedure}/{revision}", "procedure", p.procedure)
	page("GET /procedures/{procedure}/{revision}/learned", "learned", p.learned)
	page("GET /procedures/{procedure}/{revision}/learned/{step}/{pass}", "learned-plot", p.learnedPlot)
	page("GET /procedures/{procedure}/{revision}/revise", "revise", p.revise)
	page("GET /legend", "legend", p.legend)
	page("GET /shims", "stock", p.patient(p.abreast(p.stock)))
	page("GET /seals", "seals", p.patient(p.abreast(p.seals)))
	page("GET /jobs/{job}/sealed", "sealed-record", p.abreast(p.sealedRecord))
	page("POST /do/{what}", "do", p.do)
	page("POST /who", "who", p.who)
	page("POST /photo", "photo", p.takePhoto)
	page("GET /photos/{hash}", "photos", p.showPhoto)
	page("PUT /papers/{hash}", "paper", p.takePaper)
	page("GET /papers/{hash}", "papers", p.showPaper)
	mux.handle("GET /live", http.HandlerFunc(p.live))
	mux.handle("GET /assets/{hash}/{name}", p.metrics.timed("assets", http.HandlerFunc(p.views.asset)))
	mux.handle("GET /metrics", p.metrics.handler())
	mux.handle("GET /healthz", http.HandlerFunc(p.healthz))
	mux.handle("GET /readyz", http.HandlerFunc(p.readyz))
	mux.handle("GET /api/tools", p.metrics.timed("api", http.HandlerFunc(p.toolsJSON)))
	mux.handle("POST /api/asks/{type}", p.metrics.timed("api", api.Handler(p.cfg.Service, p.now, p.catchUp)))
	p.accessRoutes(page)
	page("/", "none", p.nothingHere)
	p.patterns = mux.patterns
	return guard(mux.mux, p.cfg.Hosts, p.denied), mux.checked()
}
