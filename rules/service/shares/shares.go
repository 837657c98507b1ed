// Package shares says which of several processes decides which share of the
// facts, over the NATS server that keeps the journal.
//
// Who has which share stands in one table in a JetStream key-value bucket. It
// is changed as a whole, against the revision that was read, so there is one
// table at a time. Each process tells a few times a second that it lives. When
// one has not been heard for the lapse, or a new one is, any other writes the
// next table; see plan. A process that does not hear itself any more counts
// none of its shares as its own.
//
// This divides the work, and no more. That nothing is decided twice is not for
// clocks and heartbeats to say: the journal refuses a decision that does not
// follow on the last one (journal.AppendAfter), so a process that was stalled,
// and wakes up believing that a share is still its own, cannot write.
//
// The library of the NATS makers for partitioned consumers (orbit.go/pcgroups)
// was looked at. It partitions by words of the subject; which job a reading is
// for follows from the state, not from its subject.
package shares

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"regexp"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Config says who takes part in which shop.
type Config struct {
	Conn *nats.Conn // of the journal
	Shop string
	// Member names this process among those of the shop. One that comes back
	// under the same name takes up its shares at once.
	Member string
	Shares int // how many there are
	// Beat is how often a process tells that it lives. Default 250 ms.
	Beat time.Duration
	// Lapse is after how long without a beat its shares go to others. Default 2 s.
	Lapse time.Duration
	// Replicas of the table in a cluster. Default 1.
	Replicas int
	Log      *slog.Logger
}

var memberForm = regexp.MustCompile(`^[A-Za-z0-9_.-]{1,64}$`)

// Validate reports whether c can be used.
func (c Config) Validate() error {
	switch {
	case c.Conn == nil:
		return errors.New("share the rules: no connection to a NATS server: only a journal at a NATS server (nats_url) can be shared")
	case !memberForm.MatchString(c.Member):
		return fmt.Errorf("share the rules: name %q: want 1 to 64 letters, digits, '-', '_' and '.'", c.Member)
	case c.Shares < 1 || c.Lapse < 0 || c.Beat < 0:
		return fmt.Errorf("share the rules: %d shares, beat %s, lapse %s: want more than none", c.Shares, c.Beat, c.Lapse)
	}
	return nil
}

// Group is this process among those that decide. Use New, then Run.
type Group struct {
	cfg     Config
	js      jetstream.JetStream
	run     uint64 // tells this run from an earlier one of the same name
	changed chan struct{}
	started time.Time

	mu       sync.Mutex
	heard    map[string]time.Time // others, by name
	sent     map[uint64]time.Time // own beats that have not come back
	alive    time.Time            // when the newest own beat that came back was sent
	owners   []string             // by share; nil before the first table
	revision uint64
	pending  int // beats for which the table has needed a change
	mine     int // for the log
	told     bool
}

// New returns a Group; Run makes it take part.
func New(cfg Config) (*Group, error) {
	if cfg.Beat == 0 {
		cfg.Beat = 250 * time.Millisecond
	}
	if cfg.Lapse == 0 {
		cfg.Lapse = 2 * time.Second
	}
	cfg.Replicas = max(cfg.Replicas, 1)
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if err := cfg.Validate(); err != nil {
		return nil, err
	}
	js, err := jetstream.New(cfg.Conn)
	if err != nil {
		return nil, fmt.Errorf("share the rules: %w", err)
	}
	return &Group{
		cfg: cfg, js: js, run: rand.Uint64(), changed: make(chan struct{}, 1),
		heard: map[string]time.Time{}, sent: map[uint64]time.Time{},
	}, nil
}

// beat is what a process tells a few times a second.
type beat struct {
	Member   string `json:"member"`
	Run      uint64 `json:"run"`
	Count    uint64 `json:"count"`
	Revision uint64 `json:"revision"` // of the newest table that it knows
	Leaves   bool   `json:"leaves,omitempty"`
}

func (g *Group) subject() string { return "wm." + g.cfg.Shop + ".shares" }
func (g *Group) bucket() string  { return "wm-" + g.cfg.Shop + "-shares" }

const tableKey = "table"

// Run takes part until ctx ends, then gives the shares free and returns nil.
func (g *Group) Run(ctx context.Context) error {
	g.started = time.Now()
	beats := make(chan *nats.Msg, 256)
	sub, err := g.cfg.Conn.ChanSubscribe(g.subject(), beats)
	if err != nil {
		return fmt.Errorf("share the rules: %w", err)
	}
	defer func() { _ = sub.Unsubscribe() }() // the connection may be gone
	t := time.NewTicker(g.cfg.Beat)
	defer t.Stop()
	if err := g.refresh(ctx); err != nil && ctx.Err() == nil {
		g.cfg.Log.Warn("cannot read who decides what yet; trying again", "err", err)
	}
	g.tell(1, false)
	for n := uint64(2); ; {
		select {
		case <-ctx.Done():
			g.tell(n, true)
			return nil
		case m := <-beats:
			if g.hears(m.Data) {
				g.look(ctx)
			}
		case <-t.C:
			g.tell(n, false)
			if n++; n%4 == 0 || g.known() == 0 {
				g.look(ctx)
			}
			g.care(ctx)
		}
	}
}

// tell tells the others, and by way of the server itself, that it lives.
func (g *Group) tell(count uint64, leaves bool) {
	g.mu.Lock()
	now := time.Now()
	g.sent[count] = now
	maps.DeleteFunc(g.sent, func(_ uint64, at time.Time) bool { return now.Sub(at) > g.cfg.Lapse })
	b, err := json.Marshal(beat{g.cfg.Member, g.run, count, g.revision, leaves})
	g.mu.Unlock()
	if err == nil {
		err = g.cfg.Conn.Publish(g.subject(), b)
	}
	if err != nil {
		g.cfg.Log.Debug("cannot tell that this process lives", "err", err)
	}
}

// hears takes a beat. It reports whether there is a newer table than the one
// known.
func (g *Group) hears(data []byte) bool {
	var b beat
	if json.Unmarshal(data, &b) != nil || !memberForm.MatchString(b.Member) {
		return false // not from one of us
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	switch {
	case b.Member == g.cfg.Member && b.Run == g.run:
		was := g.lives()
		g.alive = later(g.alive, g.sent[b.Count])
		delete(g.sent, b.Count)
		if !was {
			g.signal()
		}
	case b.Member == g.cfg.Member:
		if !g.told && !b.Leaves && time.Since(g.started) > g.cfg.Lapse {
			g.told = true
			g.cfg.Log.Error("another process has the same name: give each its own (--member); until then both decide the same, and one of them in vain", "member", b.Member)
		}
	case b.Leaves:
		delete(g.heard, b.Member)
	default:
		g.heard[b.Member] = time.Now()
	}
	return b.Revision > g.revision
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// lives reports whether this process has heard itself lately, so that others
// can have heard it too. g.mu is held.
func (g *Group) lives() bool { return time.Since(g.alive) < g.cfg.Lapse*3/4 }

func (g *Group) known() uint64 {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.revision
}

func (g *Group) signal() {
	select {
	case g.changed <- struct{}{}:
	default:
	}
}

// look reads the table again.
func (g *Group) look(ctx context.Context) {
	if err := g.refresh(ctx); err != nil && ctx.Err() == nil {
		g.cfg.Log.Debug("cannot read who decides what", "err", err)
	}
}

type table struct {
	Form   int      `json:"form"` // 1
	Owners []string `json:"owners"`
}

func (g *Group) kv(ctx context.Context) (jetstream.KeyValue, error) {
	kv, err := g.js.KeyValue(ctx, g.bucket())
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		kv, err = g.js.CreateOrUpdateKeyValue(ctx, jetstream.KeyValueConfig{
			Bucket: g.bucket(), Description: "Which process decides which share of the facts", History: 1, MaxBytes: 1 << 20, Replicas: g.cfg.Replicas,
		})
	}
	return kv, err
}

func (g *Group) refresh(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, g.cfg.Lapse)
	defer cancel()
	kv, err := g.kv(ctx)
	if err != nil {
		return err
	}
	e, err := kv.Get(ctx, tableKey)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	var t table
	if err := json.Unmarshal(e.Value(), &t); err != nil || t.Form != 1 || len(t.Owners) != g.cfg.Shares {
		// Of another version, or damaged: it holds nothing that cannot be made
		// anew.
		t.Owners = make([]string, g.cfg.Shares)
	}
	g.adopt(t.Owners, e.Revision())
	return nil
}

// adopt takes over a table if it is newer.
func (g *Group) adopt(owners []string, revision uint64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if revision <= g.revision {
		return
	}
	g.owners, g.revision, g.pending = owners, revision, 0
	mine := 0
	for _, o := range owners {
		if o == g.cfg.Member {
			mine++
		}
	}
	if mine != g.mine {
		g.cfg.Log.Info("shares of the rules", "mine", mine, "of", len(owners), "revision", revision)
		g.mine = mine
	}
	g.signal()
}

// care writes the next table if the one known does not fit those that live.
func (g *Group) care(ctx context.Context) {
	next, revision, due := g.due()
	if !due {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, g.cfg.Lapse)
	defer cancel()
	b, err := json.Marshal(table{1, next})
	if err != nil {
		return
	}
	kv, err := g.kv(ctx)
	if err == nil {
		var at uint64
		if revision == 0 {
			at, err = kv.Create(ctx, tableKey, b)
		} else {
			at, err = kv.Update(ctx, tableKey, b, revision)
		}
		if err == nil {
			g.adopt(next, at)
			return
		}
	}
	g.cfg.Log.Debug("another was first to say who decides what, or the server does not answer", "err", err)
	g.look(ctx)
}

// due returns the next table, the revision that it follows on, and whether it
// is for this process to write it now: the first by name does at once, the
// others some beats later.
func (g *Group) due() (next []string, revision uint64, due bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if !g.lives() {
		return nil, 0, false
	}
	live := []string{g.cfg.Member}
	for m, at := range g.heard {
		if time.Since(at) < g.cfg.Lapse {
			live = append(live, m)
		}
	}
	slices.Sort(live)
	owners := g.owners
	if owners == nil {
		owners = make([]string, g.cfg.Shares)
	}
	if time.Since(g.started) < g.cfg.Lapse { // others may live that were not heard yet
		for _, o := range owners {
			if o != "" && !slices.Contains(live, o) {
				live = append(live, o)
			}
		}
		slices.Sort(live)
		live = slices.Compact(live)
	}
	next = plan(owners, live)
	if slices.Equal(next, g.owners) {
		g.pending = 0
		return nil, 0, false
	}
	g.pending++
	return next, g.revision, g.pending > 4*slices.Index(live, g.cfg.Member)
}

// Owns reports whether share n is this process's to decide.
func (g *Group) Owns(n int) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return n < len(g.owners) && g.owners[n] == g.cfg.Member && g.lives()
}

// Changed returns a channel that gets a value after Owns may have changed.
func (g *Group) Changed() <-chan struct{} { return g.changed }

// Owners returns who has each share; nil before that is known.
func (g *Group) Owners() []string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return slices.Clone(g.owners)
}
