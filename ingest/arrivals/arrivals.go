// Package arrivals takes what bench boxes captured into the shop's journal: each
// event once, in the box's order, with the box's number. It lets in nothing but
// captures of the box's own devices; all else becomes an event that says so.
//
// The journal's engine carries the events over and keeps them until they are
// taken. What is given twice, after a crash, is known by its number. A number
// that is missing gets an event that stands in its place, so that the journal's
// own numbering stays without gaps and the loss has a name.
package arrivals

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"witnessmark/events"
	"witnessmark/events/journal"
)

// Journal is what is needed of a journal; journal.Journal has it.
type Journal interface {
	Append(ctx context.Context, evs ...events.Event) ([]uint64, error)
	Arrivals(ctx context.Context, box string, fn func(batch []journal.Arrival, pending uint64) error) error
	BoxLinks(ctx context.Context) (map[string]journal.BoxLink, error)
	CompareClocks(ctx context.Context, box string) (journal.ClockOffset, error)
	LastNumber(source string) uint64
	LastOf(ctx context.Context, source string) (events.Entry, bool, error)
	Last() uint64
	Read(ctx context.Context, from, to uint64, fn func([]events.Entry) error) error
}

// Config says what to take from whom.
type Config struct {
	Journal Journal
	Shop    events.Shop // its boxes and devices
	// ClockLimit is by how much a box's clock may be off before people are told.
	// Default 30 s.
	ClockLimit time.Duration
	Now        func() time.Time // default time.Now
	Log        *slog.Logger     // default: none
}

// LateAfter is how long an event may be on its way before it counts as late. It
// is well above what group commits and a busy network take, and well below any
// time that means something at a bench. Our choice.
const LateAfter = 10 * time.Second

// Intake takes arrivals. Use New, then Run.
type Intake struct {
	cfg   Config
	log   *slog.Logger
	boxes []*box
}

// box is one bench box; all but status belong to its goroutine.
type box struct {
	in      *Intake
	id      string
	devices map[string]events.Device // by source
	wrote   bool                     // its link's state is in the journal
	up      bool                     // as the journal says last
	came    uint64                   // late events since it was cut off
	told    time.Duration            // offset that the journal says last
	toldAt  time.Time                // monotonic
	// newest holds what the journal has of the box, while events are given again.
	newest map[identity]events.Data

	mu     sync.Mutex
	status Status
}

// Status says how a bench box is.
type Status struct {
	Box       string
	Link      journal.BoxLink
	Since     events.Instant // of this state of the link; 0: not known
	Compared  bool           // Ahead and RoundTrip are known
	Ahead     time.Duration  // of its clock before the shop's
	RoundTrip time.Duration
	Taken     uint64 // events since the start
	Late      uint64 // of them, late ones
	Refused   uint64 // of them, that could not be taken
}

// New returns an Intake for the boxes of a shop.
func New(cfg Config) *Intake {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.ClockLimit <= 0 {
		cfg.ClockLimit = 30 * time.Second
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	in := &Intake{cfg: cfg, log: cfg.Log}
	for _, x := range cfg.Shop.Boxes {
		b := &box{in: in, id: x.ID, devices: map[string]events.Device{}, status: Status{Box: x.ID}}
		for _, d := range cfg.Shop.Devices {
			if d.Box == x.ID {
				b.devices[events.DeviceSource(d.ID)] = d
			}
		}
		in.boxes = append(in.boxes, b)
	}
	return in
}

// Status tells of each box, in the order of the shop file.
func (in *Intake) Status() []Status {
	out := make([]Status, len(in.boxes))
	for i, b := range in.boxes {
		b.mu.Lock()
		out[i] = b.status
		b.mu.Unlock()
	}
	return out
}

// Run takes what arrives until ctx ends, and returns nil then. Another error
// means that the journal does not go on.
func (in *Intake) Run(ctx context.Context) error {
	g, gctx := errgroup.WithContext(ctx)
	for _, b := range in.boxes {
		g.Go(func() error {
			return in.cfg.Journal.Arrivals(gctx, b.id, func(batch []journal.Arrival, pending uint64) error {
				return b.take(gctx, batch)
			})
		})
	}
	g.Go(func() error { return in.watch(gctx) })
	err := g.Wait()
	if ctx.Err() != nil && (errors.Is(err, context.Canceled) || errors.Is(err, context.Cause(ctx))) {
		return nil
	}
	return err
}

func (in *Intake) now() events.Instant { return events.InstantOf(in.cfg.Now()) }

// take puts a batch into the journal, however often it takes.
func (b *box) take(ctx context.Context, batch []journal.Arrival) error {
	b.mu.Lock()
	measured := b.status.Compared
	b.mu.Unlock()
	if !measured { // times are told by the shop's clock
		if err := b.firstOffset(ctx); err != nil {
			return err
		}
	}
	evs, late, refused, err := b.prepare(ctx, batch)
	if err != nil {
		return err
	}
	if len(evs) > 0 {
		b.newest = nil // what was given again has come to its end, or the journal goes on
	}
	if err := b.append(ctx, evs...); err != nil {
		return err
	}
	b.mu.Lock()
	b.status.Taken += uint64(len(batch))
	b.status.Late += late
	b.status.Refused += refused
	b.came += late
	b.mu.Unlock()
	return nil
}

// firstOffset asks for the box's clock, or takes what the journal says last: what
// was left over by a crash comes while the box may not be connected.
func (b *box) firstOffset(ctx context.Context) error {
	o, err := b.in.cfg.Journal.CompareClocks(ctx, b.id)
	if err != nil {
		e, ok, err := b.in.cfg.Journal.LastOf(ctx, events.BoxClockSource(b.id))
		if err != nil {
			return fmt.Errorf("ask for the clock of bench box %q: %w", b.id, err)
		}
		c, is := e.Data.(events.ClockCompared)
		if !ok || !is {
			return nil
		}
		o = journal.ClockOffset{Ahead: time.Duration(c.AheadUs) * time.Microsecond, RoundTrip: time.Duration(c.RoundTripUs) * time.Microsecond}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.status.Compared, b.status.Ahead, b.status.RoundTrip = true, o.Ahead, o.RoundTrip
	return nil
}

// Waits between tries to append.
const (
	firstWait = 50 * time.Millisecond
	mostWait  = 5 * time.Second
)

// append stores events; it fails only for good.
func (b *box) append(ctx context.Context, evs ...events.Event) error {
	for wait := firstWait; len(evs) > 0; wait = min(2*wait, mostWait) {
		_, err := b.in.cfg.Journal.Append(ctx, evs...)
		if err == nil {
			return nil
		}
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if errors.Is(err, journal.ErrSecondWriter) || errors.Is(err, journal.ErrClosed) {
			return fmt.Errorf("take what bench box %q sent: %w", b.id, err)
		}
		b.in.log.Warn("what a bench box sent is not in the journal yet; trying again", "box", b.id, "events", len(evs), "err", err, "wait_ms", wait.Milliseconds())
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	return nil
}

// maxGap is how many numbers may be missing in a row; more is no loss, but a
// box that counts anew.
const maxGap = 100_000

// prepare makes the events that a batch becomes.
func (b *box) prepare(ctx context.Context, batch []journal.Arrival) (out []events.Event, late, refused uint64, err error) {
	now := b.in.now()
	b.mu.Lock()
	ahead := b.status.Ahead
	b.mu.Unlock()
	last := map[string]uint64{}
	var run *events.ArrivalsLate // the last of out says so, and may still grow
	var runAt int
	for _, a := range batch {
		e := a.Event
		if _, ok := last[e.Source]; !ok {
			last[e.Source] = b.in.cfg.Journal.LastNumber(e.Source)
		}
		why, detail := b.refuse(&a)
		_, own := b.devices[e.Source]
		own = own && e.Number > 0
		switch next := last[e.Source] + 1; {
		case !own:
		case e.Number < next:
			same, err := b.known(ctx, &e, why != "")
			if err != nil {
				return nil, 0, 0, err
			}
			if same {
				continue
			}
			own, why = false, events.ArrivalNumber
			detail = fmt.Sprintf("event %d of %s is there already and says something else; the box was set back or another one has its name", e.Number, e.Source)
		case e.Number-next > maxGap:
			own, why = false, events.ArrivalJump
			detail = fmt.Sprintf("event %d of %s follows on %d", e.Number, e.Source, next-1)
		default:
			for n := next; n < e.Number; n++ {
				out = append(out, events.Event{Source: e.Source, Number: n, Time: now, Data: events.ArrivalMissing{Box: b.id, AtUs: now}})
				run = nil
			}
			last[e.Source] = e.Number
		}
		if why != "" {
			refused++
			run = nil
			r := events.ArrivalRefused{Box: b.id, Source: e.Source, Number: e.Number, Type: a.Type, Why: why, Detail: detail, Bytes: a.Bytes, AtUs: now}
			x := events.Event{Source: events.BoxSource(b.id), Time: now, Data: r}
			if own {
				x.Source, x.Number = e.Source, e.Number
			}
			out = append(out, x)
			continue
		}
		e.Time = e.Time.Add(-ahead)
		if now.Sub(e.Time) > LateAfter {
			late++
			if run == nil || run.Source != e.Source || run.To+1 != e.Number {
				run = &events.ArrivalsLate{Box: b.id, Source: e.Source, From: e.Number, AtUs: now}
				runAt = len(out)
				out = append(out, events.Event{Source: events.BoxSource(b.id), Time: now})
			}
			run.To = e.Number
			out[runAt].Data = *run
		} else {
			run = nil
		}
		out = append(out, e)
	}
	return out, late, refused, nil
}

// refuse says why an arrival cannot be taken as what it says, "" if it can.
func (b *box) refuse(a *journal.Arrival) (why, detail string) {
	if a.Err != nil {
		return events.ArrivalUnreadable, a.Err.Error()
	}
	d, ok := b.devices[a.Event.Source]
	if !ok {
		return events.ArrivalForeign, fmt.Sprintf("%s is no device of bench box %q in the shop file", strings.TrimPrefix(a.Event.Source, "device/"), b.id)
	}
	device, bench, capture := captured(a.Event.Data)
	switch {
	case !capture:
		return events.ArrivalForeign, fmt.Sprintf("%s is nothing that a bench box captures", a.Type)
	case device != d.ID:
		return events.ArrivalForeign, fmt.Sprintf("it came from device %q and says %q", d.ID, device)
	case bench != "" && bench != d.Bench:
		return events.ArrivalForeign, fmt.Sprintf("device %q is at bench %q by the shop file, and it says %q: give the box the shop file in force", d.ID, d.Bench, bench)
	}
	if r, ok := a.Event.Data.(events.ReadingTaken); ok && (r.Tool != d.Tool || r.Mode == events.ModeTyped) {
		return events.ArrivalForeign, fmt.Sprintf("device %q has tool %q by the shop file, and it says %q: give the box the shop file in force", d.ID, d.Tool, r.Tool)
	}
	return "", ""
}

// captured returns the device and bench that a captured fact is of.
func captured(d events.Data) (device, bench string, ok bool) {
	switch d := d.(type) {
	case events.ReadingTaken:
		return d.Device, d.Bench, true
	case events.FrameRefused:
		return d.Device, d.Bench, true
	case events.FrameRepeated:
		return d.Device, "", true
	case events.CounterGapFound:
		return d.Device, d.Bench, true
	case events.LinkChanged:
		return d.Device, d.Bench, true
	case events.SamplesCaptured:
		return d.Device, d.Bench, true
	}
	return "", "", false
}

// searchDepth is how far back the journal is searched for events that are given
// again: further than the arrivals that can be left over by a crash.
const searchDepth = 100_000

// known reports whether the journal has the same event under its number. Only
// what was given again after a crash comes here: it is among the newest, and many
// come together, so those of the box are looked up once for all.
func (b *box) known(ctx context.Context, e *events.Event, refused bool) (bool, error) {
	if b.newest == nil {
		found := map[identity]events.Data{}
		last := b.in.cfg.Journal.Last()
		err := b.in.cfg.Journal.Read(ctx, last-min(last, searchDepth)+1, last, func(es []events.Entry) error {
			for i := range es {
				if _, ok := b.devices[es[i].Source]; ok {
					found[identity{es[i].Source, es[i].Number}] = es[i].Data
				}
			}
			return nil
		})
		if err != nil {
			return false, fmt.Errorf("look for events of bench box %q that are given again: %w", b.id, err)
		}
		b.newest = found
	}
	have, ok := b.newest[identity{e.Source, e.Number}]
	return ok && sameData(have, e.Data, refused), nil
}

type identity struct {
	source string
	number uint64
}

func sameData(have, came events.Data, refused bool) bool {
	if _, ok := have.(events.ArrivalRefused); ok || refused {
		return ok && refused
	}
	_, x, err1 := events.Encode(have)
	_, y, err2 := events.Encode(came)
	return err1 == nil && err2 == nil && bytes.Equal(x, y)
}

// Rhythm of looking at links and clocks.
const (
	lookEvery    = time.Second
	compareEvery = 10 * time.Second
	tellEvery    = time.Hour       // clocks that are as they were
	tellChange   = 2 * time.Second // an offset that has changed by more
)

// watch notes when boxes are cut off and come back, and how their clocks are.
func (in *Intake) watch(ctx context.Context) error {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	var compared time.Time
	for {
		links, err := in.cfg.Journal.BoxLinks(ctx)
		if err == nil {
			compare := time.Since(compared) >= compareEvery
			if compare {
				compared = time.Now()
			}
			for _, id := range slices.Sorted(maps.Keys(links)) {
				if err := in.look(ctx, id, links[id], compare); err != nil {
					return err
				}
			}
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

func (in *Intake) look(ctx context.Context, id string, link journal.BoxLink, compare bool) error {
	i := slices.IndexFunc(in.boxes, func(b *box) bool { return b.id == id })
	if i < 0 {
		return nil
	}
	b := in.boxes[i]
	b.mu.Lock()
	changed := b.status.Link.Up != link.Up || b.status.Since == 0
	b.status.Link = link
	if changed {
		b.status.Since = in.now()
	}
	measured := b.status.Compared
	b.mu.Unlock()
	if link.Up && (compare || changed || !measured) {
		if err := b.compare(ctx); err != nil {
			return err
		}
	}
	return b.tellLink(ctx, link)
}

// tellLink writes that a box was cut off, or that it is back and all that had
// waited there has come.
func (b *box) tellLink(ctx context.Context, link journal.BoxLink) error {
	up := link.Up && link.Flowing && link.Waiting == 0
	if link.Up && !up || b.wrote && up == b.up {
		return nil
	}
	now := b.in.now()
	e := events.BoxLinkChanged{Box: b.id, Up: up, AtUs: now, Detail: "it cannot be reached: look at its power and its network cable; it goes on taking readings by itself, and they come once it is back"}
	b.mu.Lock()
	if up {
		e.Came, b.came = b.came, 0
		e.Detail = "connected from " + link.IP
	}
	b.mu.Unlock()
	if err := b.append(ctx, events.Event{Source: events.BoxSource(b.id), Time: now, Data: e}); err != nil {
		return err
	}
	b.wrote, b.up = true, up
	b.in.log.Info("link to bench box", "box", b.id, "up", up, "came", e.Came)
	return nil
}

// compare measures the box's clock, and writes it where it has changed.
func (b *box) compare(ctx context.Context) error {
	o, err := b.in.cfg.Journal.CompareClocks(ctx, b.id)
	if err != nil {
		return nil // it is not there just now; asked again
	}
	b.mu.Lock()
	b.status.Compared, b.status.Ahead, b.status.RoundTrip = true, o.Ahead, o.RoundTrip
	b.mu.Unlock()
	beyond := func(d time.Duration) bool { return d.Abs() > b.in.cfg.ClockLimit }
	if !b.toldAt.IsZero() && (o.Ahead-b.told).Abs() < tellChange && beyond(o.Ahead) == beyond(b.told) && time.Since(b.toldAt) < tellEvery {
		return nil
	}
	now := b.in.now()
	err = b.append(ctx, events.Event{Source: events.BoxClockSource(b.id), Time: now, Data: events.ClockCompared{
		Box: b.id, AheadUs: o.Ahead.Microseconds(), RoundTripUs: o.RoundTrip.Microseconds(), LimitUs: b.in.cfg.ClockLimit.Microseconds(), AtUs: now,
	}})
	if err == nil {
		b.told, b.toldAt = o.Ahead, time.Now()
	}
	return err
}
