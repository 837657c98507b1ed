package dashboards

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"witnessmark/events"
	"witnessmark/events/ledger"
)

// Chain is what the hub of a chain of shops tells, now.
type Chain struct {
	Hub     string         // its address, without secrets
	Asked   events.Instant // when it answered last; 0: not yet
	Trouble string         // why it does not answer; "": it does
	Shops   []ChainShop    // by id
}

// ChainShop is a shop whose journal the hub keeps a copy of.
type ChainShop struct {
	ID      string
	Entries uint64         // that are in the copy
	Behind  uint64         // that the shop has beyond them, as last heard
	Heard   events.Instant // when the hub heard from it last; 0: never since the hub was started
	// Read asks a ledger that is made from the copy; nil: there is none yet.
	Read    func(context.Context, func(*ledger.Queries) error) error
	Trouble string // why there is none
}

// chainQuiet is for how long the hub may hear nothing of a shop before it
// counts as away: its store says every second or so that it is there.
const chainQuiet = 15 * time.Second

type chainView struct {
	Set     bool // a hub is named
	Hub     string
	Trouble string
	Asked   string
	Shops   []chainShopView
}

type chainShopView struct {
	ID, Name, Href       string
	Link, State, Tone    string
	Todo                 string
	Heard, Behind        string
	Entries              uint64
	Reading              string // how far the copy is read; "": to its end
	Known                bool   // the figures below
	JobsOpen             int
	Tools, ToolsDue      int
	Alerts, AlertsUnseen int
}

type chainAlert struct {
	Name, Tone, Text, Todo, Bench, Job, At, Seen string
}

type chainTool struct {
	ID, Name, Kind, Serial, Due string
	Overdue                     bool
}

type chainShopPage struct {
	chainShopView
	AlertList []chainAlert
	JobList   []jobLine
	ToolList  []chainTool
}

func (p *Pages) noChain() error {
	return problem(http.StatusNotFound, "There is no such shop at the hub.", "Choose one from the page Chain. 'witnessmark chain add' makes the hub keep a copy of one more.")
}

// chain shows every shop of the chain.
func (p *Pages) chain(w http.ResponseWriter, r *http.Request) error {
	var d chainView
	if p.cfg.Chain != nil {
		c := p.cfg.Chain()
		d = chainView{Set: true, Hub: c.Hub, Trouble: c.Trouble}
		if c.Asked > 0 {
			d.Asked = clockTime(c.Asked, p.now())
		}
		for i := range c.Shops {
			v, err := p.chainShop(r.Context(), &c, &c.Shops[i], nil)
			if err != nil {
				return err
			}
			d.Shops = append(d.Shops, v)
		}
	}
	return p.livePage(w, r, "chain", "Chain", d)
}

// chainOne shows what is open in one shop of the chain.
func (p *Pages) chainOne(w http.ResponseWriter, r *http.Request) error {
	if p.cfg.Chain == nil {
		return p.noChain()
	}
	c := p.cfg.Chain()
	i := slices.IndexFunc(c.Shops, func(s ChainShop) bool { return s.ID == r.PathValue("shop") })
	if i < 0 {
		return p.noChain()
	}
	var d chainShopPage
	var err error
	if d.chainShopView, err = p.chainShop(r.Context(), &c, &c.Shops[i], &d); err != nil {
		return err
	}
	return p.livePage(w, r, "chain-shop", d.Name, d)
}

// chainShop tells of one shop, and fills in what is open there if page is given.
func (p *Pages) chainShop(ctx context.Context, c *Chain, s *ChainShop, page *chainShopPage) (chainShopView, error) {
	now := p.now()
	v := chainShopView{ID: s.ID, Name: s.ID, Href: "/chain/" + url.PathEscape(s.ID), Entries: s.Entries, Heard: "not since the hub was started",
		Behind: countWord(s.Behind, "entry", "entries")}
	ago := time.Duration(0)
	if s.Heard > 0 {
		ago = now.Sub(s.Heard.Time())
		v.Heard = clockTime(s.Heard, now) + ", " + lastedWords(ago) + " ago"
	}
	switch {
	case c.Trouble != "":
		v.Link, v.State, v.Tone = "away", "Not known", toneAbnormal
		v.Todo = "The hub does not answer, so this is how it was. The shop itself goes on."
	case s.Heard == 0 || ago > chainQuiet:
		v.Link, v.State, v.Tone = "away", "Not heard", toneAbnormal
		v.Todo = "Look at the line to the shop, and whether its store runs. The shop goes on by itself; all comes once it is back."
	case s.Behind > 0:
		v.Link, v.State, v.Tone = "behind", "Catching up", toneAction
	default:
		v.Link, v.State, v.Tone, v.Behind = "up", "All is here", toneNormal, "none"
	}
	if v.Link == "away" && s.Behind == 0 {
		v.Behind = "not known"
	}
	if s.Read == nil {
		v.Reading = "The copy is being opened."
		if s.Trouble != "" {
			v.Reading = "The copy cannot be read: " + s.Trouble
		}
		return v, nil
	}
	err := s.Read(ctx, func(q *ledger.Queries) error {
		at, err := q.PositionNow(ctx)
		if err != nil {
			return err
		}
		if at < s.Entries {
			v.Reading = fmt.Sprintf("The copy is read up to entry %d of %d: the figures are as of then.", at, s.Entries)
		}
		return v.fill(ctx, q, page, now)
	})
	if err != nil {
		if ctx.Err() != nil {
			return v, ctx.Err()
		}
		p.log.Warn("read the copy of a shop's journal", "shop", s.ID, "err", err)
		v.Reading = "The copy cannot be read just now: " + err.Error()
		return v, nil
	}
	v.Known = true
	return v, nil
}

// fill takes the figures, and the lists if page is given, out of a ledger.
func (v *chainShopView) fill(ctx context.Context, q *ledger.Queries, page *chainShopPage, now time.Time) error {
	shop, err := q.ShopNow(ctx)
	if err != nil && !errors.Is(err, ledger.ErrUnknown) {
		return err
	}
	if shop.Name != "" {
		v.Name = shop.Name
	}
	v.Tools = len(shop.Tools)
	jobs, err := q.Jobs(ctx, ledger.JobFilter{Open: true})
	if err != nil {
		return err
	}
	v.JobsOpen = len(jobs)
	alerts, err := q.OpenAlerts(ctx)
	if err != nil {
		return err
	}
	v.Alerts = len(alerts)
	for i := range alerts {
		if alerts[i].SeenBy == "" {
			v.AlertsUnseen++
		}
	}
	today := now.Format("2006-01-02")
	for _, t := range shop.Tools {
		late := t.Due != "" && t.Due < today
		if late {
			v.ToolsDue++
		}
		if page != nil {
			page.ToolList = append(page.ToolList, chainTool{t.ID, t.Name, kindWords[t.Kind], t.Serial, t.Due, late})
		}
	}
	if page == nil {
		return nil
	}
	bench, person := names(shop.Shop)
	for i := range alerts {
		a := &alerts[i]
		k := alertKind(a.Kind)
		l := chainAlert{Name: k.name, Tone: k.tone, Text: a.Text, Todo: a.Todo, Bench: bench(a.Bench), Job: a.Job, At: clockTime(a.AtUs, now)}
		if a.SeenBy != "" {
			l.Seen = person(a.SeenBy) + ", " + clockTime(a.SeenAtUs, now)
		}
		page.AlertList = append(page.AlertList, l)
	}
	for i := range jobs {
		j := &jobs[i]
		l := jobLine{ID: j.Job, UnitSerial: j.UnitSerial, Customer: j.Customer, Procedure: j.Procedure + " " + j.Revision, Bench: bench(j.BenchNow),
			Technician: person(j.Technician), Opened: clockTime(j.AtUs, now), Judged: j.Judged, OpenAlerts: j.OpenAlerts}
		l.StatusWord, l.Tone = statusWords(j.Status)
		if j.LastAtUs > 0 {
			l.Last = clockTime(j.LastAtUs, now)
		}
		page.JobList = append(page.JobList, l)
	}
	return nil
}

// names give the name of a bench or person of a shop file, or the id of one
// that is in it no more.
func names(shop events.Shop) (bench, person func(string) string) {
	benches, people := map[string]string{}, map[string]string{}
	for _, b := range shop.Benches {
		benches[b.ID] = b.Name
	}
	for _, x := range shop.People {
		people[x.ID] = x.Name
	}
	of := func(m map[string]string) func(string) string {
		return func(id string) string {
			if m[id] != "" {
				return m[id]
			}
			return id
		}
	}
	return of(benches), of(people)
}

func countWord(n uint64, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}
