package journal

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"

	"witnessmark/events"
)

// A bench box keeps a journal of its own, of what its tools sent, in a
// JetStream domain of its own, and is a leaf node of the shop's server. The
// shop has one stream of arrivals for each box, which sources the box's: what
// is stored at the box while the line is cut is carried over by the engine
// once it is whole again. From the arrivals the shop's one writer takes each
// event into the journal, with the number that the box gave it.
//
//	box "axle", domain "axle"                 shop, domain "shop"
//	tools -> wm-fenholt-box-axle  ==leaf==>  wm-fenholt-from-axle -> wm-fenholt
//	         (its journal)        sourcing   (arrivals)     Arrivals  (the journal)
//
// At the shop's server each box has an account of its own without JetStream.
// Its user, known by an nkey, may publish to the subjects that sourcing
// delivers to and answer what the shop asks, and nothing else; the shop's own
// account takes those subjects over and offers none.

// Box is a bench box as the shop knows it.
type Box struct {
	ID  string // as in the shop file
	Key string // public nkey of the user that it connects as
}

// Boxes lets bench boxes connect to an embedded server.
type Boxes struct {
	Listen string // host:port for leaf nodes
	// TLS is what the listener shows; nil goes without, which is for loopback.
	TLS   *tls.Config
	Boxes []Box
}

// Uplink makes a journal that of a bench box.
type Uplink struct {
	Box  string      // its id
	Shop string      // host:port where the shop's server takes leaf nodes
	Seed []byte      // secret nkey of the box's user
	TLS  *tls.Config // nil: without, for loopback
	// First holds the number of the last event that the shop has of a source,
	// for a box that takes the place of another one. Heeded where it is greater.
	First map[string]uint64
}

var boxID = shopID // the same form

func (b *Boxes) validate() error {
	if _, _, err := net.SplitHostPort(b.Listen); err != nil {
		return fmt.Errorf("address %q for bench boxes: want host:port", b.Listen)
	}
	host, _, _ := net.SplitHostPort(b.Listen)
	if ip := net.ParseIP(host); b.TLS == nil && (ip == nil || !ip.IsLoopback()) {
		return fmt.Errorf("address %q for bench boxes can be reached from other machines: that needs a certificate", b.Listen)
	}
	if len(b.Boxes) == 0 {
		return fmt.Errorf("address %q for bench boxes, but no bench box has a key: enrol one first", b.Listen)
	}
	seen := map[string]bool{}
	for _, x := range b.Boxes {
		if !boxID.MatchString(x.ID) || seen[x.ID] {
			return fmt.Errorf("bench box %q: want an id of its own, of lower-case letters, digits and '-'", x.ID)
		}
		if !nkeys.IsValidPublicUserKey(x.Key) || seen[x.Key] {
			return fmt.Errorf("bench box %q: want a public key of its own, as 'witnessmark bench-box enrol' prints it", x.ID)
		}
		seen[x.ID], seen[x.Key] = true, true
	}
	return nil
}

func (u *Uplink) validate() error {
	if !boxID.MatchString(u.Box) {
		return fmt.Errorf("bench box %q: want an id of lower-case letters, digits and '-'", u.Box)
	}
	if _, _, err := net.SplitHostPort(u.Shop); err != nil {
		return fmt.Errorf("address %q of the shop: want host:port", u.Shop)
	}
	if _, err := nkeys.FromSeed(u.Seed); err != nil {
		return fmt.Errorf("bench box %q: its secret key cannot be read: %w", u.Box, err)
	}
	return nil
}

// What a box and its shop speak over, beside the engine's own subjects.
func (n naming) boxStream(box string) string      { return n.stream() + "-box-" + box }
func (n naming) arrivalsStream(box string) string { return n.stream() + "-from-" + box }
func boxDeliver(box string) string                { return "wm.box." + box + ".d" }
func boxClock(box string) string                  { return "wm.box." + box + ".clock" }
func boxAPI(box string) string                    { return "$JS." + box + ".API" }

// shopDomain is the JetStream domain of a shop that has bench boxes.
const shopDomain = "shop"

// arrivalsMax bounds what may wait between a box and the journal. When it is
// full the engine waits, and the rest stays with the box.
const arrivalsMax = 256 << 20

// A cable that is pulled says nothing by itself: after so many pings without an
// answer the line counts as cut.
const (
	pingBoxes   = 3 * time.Second
	missedPings = 2
)

// listenForBoxes lets boxes connect: opts gets accounts and a listener. The
// option returned is what a connection of the journal itself needs.
func (b *Boxes) listenForBoxes(n naming, opts *server.Options) (nats.Option, error) {
	host, port, err := splitHostPort(b.Listen)
	if err != nil {
		return nil, err
	}
	opts.JetStreamDomain = shopDomain
	opts.PingInterval, opts.MaxPingsOut = pingBoxes, missedPings
	opts.JetStreamMaxStore += int64(len(b.Boxes)) * arrivalsMax
	opts.LeafNode = server.LeafNodeOpts{
		Host: host, Port: port, NoAdvertise: true, TLSConfig: b.TLS, TLSTimeout: 5, AuthTimeout: 5,
		IsolateLeafnodeInterest: true,
	}
	own := server.NewAccount(server.DEFAULT_GLOBAL_ACCOUNT)
	key, err := nkeys.CreateUser() // for this life of the server only
	if err != nil {
		return nil, err
	}
	public, err := key.PublicKey()
	if err != nil {
		return nil, err
	}
	opts.Accounts = []*server.Account{own}
	opts.Nkeys = []*server.NkeyUser{{Nkey: public, Account: own}}
	for _, x := range b.Boxes {
		acc, user, err := x.account(n, own)
		if err != nil {
			return nil, fmt.Errorf("account of bench box %q: %w", x.ID, err)
		}
		opts.Accounts, opts.Nkeys = append(opts.Accounts, acc), append(opts.Nkeys, user)
	}
	return nats.Nkey(public, key.Sign), nil
}

// account makes the account of a box and lets own take over what it needs.
func (x Box) account(n naming, own *server.Account) (*server.Account, *server.NkeyUser, error) {
	acc := server.NewAccount("box-" + x.ID)
	create := boxAPI(x.ID) + ".CONSUMER.CREATE." + n.boxStream(x.ID) + ".>"
	drop := boxAPI(x.ID) + ".CONSUMER.DELETE." + n.boxStream(x.ID) + ".>"
	flow := "$JS.FC." + n.boxStream(x.ID) + ".>"
	deliver := boxDeliver(x.ID) + ".>"
	only := []*server.Account{own}
	var errs []error
	for _, asked := range []string{create, drop, flow, boxClock(x.ID), boxLamps(x.ID)} {
		errs = append(errs, acc.AddServiceExport(asked, only), own.AddServiceImport(acc, asked, asked))
	}
	errs = append(errs, acc.AddStreamExport(deliver, only), own.AddStreamImport(acc, deliver, ""))
	user := &server.NkeyUser{
		Nkey: x.Key, Account: acc, AllowedConnectionTypes: map[string]struct{}{"LEAFNODE": {}},
		Permissions: &server.Permissions{
			Publish:   &server.SubjectPermission{Allow: []string{deliver, "_R_.>"}}, // _R_: answers to the shop
			Subscribe: &server.SubjectPermission{Allow: []string{create, drop, flow, boxClock(x.ID), boxLamps(x.ID)}},
		},
	}
	return acc, user, errors.Join(errs...)
}

// connectTo makes the server of a bench box a leaf node of the shop's.
func (u *Uplink) connectTo(opts *server.Options) {
	scheme := "nats-leaf"
	if u.TLS != nil {
		scheme = "tls"
	}
	opts.JetStreamDomain = u.Box
	opts.PingInterval, opts.MaxPingsOut = pingBoxes, missedPings
	opts.LeafNode.ReconnectInterval = time.Second
	opts.LeafNode.Remotes = []*server.RemoteLeafOpts{{
		URLs: []*url.URL{{Scheme: scheme, Host: u.Shop}}, Nkey: string(u.Seed),
		TLS: u.TLS != nil, TLSConfig: u.TLS, TLSTimeout: 5, DialTimeout: 3 * time.Second,
		IgnoreDiscoveredServers: true,
		DenyImports:             []string{"wm.*.ev.>"}, // nobody writes into the box's journal from outside
	}}
}

func splitHostPort(address string) (host string, port int, err error) {
	host, p, err := net.SplitHostPort(address)
	if err == nil {
		port, err = strconv.Atoi(p)
	}
	if port == 0 {
		port = -1 // any that is free; for tests
	}
	return host, port, err
}

// Arrival is one event that came from a bench box.
type Arrival struct {
	Event events.Event // as the box numbered it; without Data if Err is not nil
	Type  string       // written type name
	Bytes []byte       // the data as it came
	Err   error        // why it cannot be read
}

// trimEvery is how many arrivals may lie there although they are in the journal:
// after a crash they are looked through again.
const trimEvery = 512

// keepArrivals is how many of the last arrivals stay in their stream, by which
// the engine knows where to go on.
const keepArrivals = 16

// Arrivals gives what comes from box to fn, in the box's order and in batches,
// until ctx ends. What fn returned nil for is then removed from the arrivals;
// after a crash some of it is given again. pending is how many more are known
// to be at hand behind the batch. An error of fn ends it and is returned.
func (j *Journal) Arrivals(ctx context.Context, box string, fn func(batch []Arrival, pending uint64) error) error {
	next := uint64(0)
	for {
		s, err := j.waitSession(ctx)
		if err != nil {
			return err
		}
		var ended *fnError
		if next, err = s.arrivals(ctx, j.names, box, next, fn); errors.As(err, &ended) {
			return ended.error
		}
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		j.log.Debug("arrivals are read anew", "box", box, "err", err)
		select {
		case <-time.After(200 * time.Millisecond):
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

type fnError struct{ error }

// arrivals reads from sequence from on until something fails.
func (s *session) arrivals(ctx context.Context, n naming, box string, from uint64, fn func([]Arrival, uint64) error) (next uint64, err error) {
	stream, err := s.arrivalsStream(ctx, n, box, true)
	if err != nil {
		return from, err
	}
	ctx, cancel := context.WithCancel(ctx)
	var watch sync.WaitGroup
	watch.Go(func() { s.keepSourcing(ctx, n, box) })
	defer watch.Wait()
	defer cancel()
	cons, err := stream.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: max(from, 1),
	})
	if err != nil {
		return from, err
	}
	it, err := cons.Messages(jetstream.PullMaxMessages(2048))
	if err != nil {
		return from, err
	}
	defer it.Stop()
	defer context.AfterFunc(ctx, it.Stop)()
	next = from
	trim := trimmer{stream: stream}
	var batch []Arrival
	size := 0
	for {
		m, err := it.Next(jetstream.NextMaxWait(readWait))
		switch {
		case errors.Is(err, nats.ErrTimeout):
			select {
			case <-s.dead:
				return next, errors.New("the connection has ended")
			default:
				trim.idle(ctx)
				continue
			}
		case err != nil:
			return next, err
		}
		meta, err := m.Metadata()
		if err != nil {
			return next, err
		}
		batch = append(batch, n.arrival(m))
		size += len(m.Data())
		if meta.NumPending > 0 && len(batch) < readBatch && size < readBatchBytes {
			continue
		}
		if err := fn(batch, meta.NumPending); err != nil {
			return next, &fnError{err}
		}
		batch, size, next = nil, 0, meta.Sequence.Stream+1
		trim.done(ctx, meta.Sequence.Stream)
	}
}

// trimmer removes arrivals that are in the journal, many at a time.
type trimmer struct {
	stream         jetstream.Stream
	taken, trimmed uint64
}

func (t *trimmer) done(ctx context.Context, seq uint64) {
	if t.taken = seq; t.taken-t.trimmed > trimEvery {
		t.idle(ctx)
	}
}

func (t *trimmer) idle(ctx context.Context) {
	if t.taken <= t.trimmed+keepArrivals {
		return
	}
	// Failing costs room only; it is done again later.
	if t.stream.Purge(ctx, jetstream.WithPurgeSequence(t.taken-keepArrivals+1)) == nil {
		t.trimmed = t.taken - keepArrivals
	}
}

// arrivalsStream finds the stream of arrivals of a box, or makes it. Without
// sourcing it stays as it is and sources nothing.
func (s *session) arrivalsStream(ctx context.Context, n naming, box string, sourcing bool) (jetstream.Stream, error) {
	cfg := jetstream.StreamConfig{
		Name:        n.arrivalsStream(box),
		Description: "Arrivals from bench box " + box + " on their way into the journal",
		Storage:     jetstream.FileStorage, MaxBytes: arrivalsMax, Discard: jetstream.DiscardNew,
		Duplicates: 100 * time.Millisecond, DenyDelete: true,
	}
	if sourcing {
		cfg.Sources = []*jetstream.StreamSource{{
			Name: n.boxStream(box), FilterSubject: "wm." + n.shop + ".ev.device.>",
			External: &jetstream.ExternalStream{APIPrefix: boxAPI(box), DeliverPrefix: boxDeliver(box)},
		}}
	} else {
		cfg.Subjects = []string{boxDeliver(box) + ".none"} // a stream must have one or the other
	}
	return s.js.CreateOrUpdateStream(ctx, cfg)
}

// How often the line to a box is looked at, how long the engine is given to go
// on by itself, and what counts as going on: it hears from a source every second.
const (
	lookAtLink   = 250 * time.Millisecond
	engineGoesOn = 2 * time.Second
	goesOn       = 2500 * time.Millisecond
	takesBack    = 500 * time.Millisecond
	engineStuck  = 4 * time.Second // with events left and none coming
)

// keepSourcing sees to it that the engine goes on soon after a box is connected
// again, and once it waits for an answer of its flow control that was lost when
// one side was killed. By itself it waits up to two minutes after a long cut
// before it asks the box again, and for ever for that answer; taking the source
// out and putting it back makes it ask at once, from where it was.
func (s *session) keepSourcing(ctx context.Context, n naming, box string) {
	tick := time.NewTicker(lookAtLink)
	defer tick.Stop()
	var since time.Time // of a connection without sourcing
	var lag uint64      // and of one over which nothing more comes
	var came time.Time
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		flowing, left := s.flow(ctx, n, box)
		if left == 0 || left != lag {
			lag, came = left, time.Now()
		}
		if flowing = flowing && time.Since(came) < engineStuck; flowing || !s.connected(box) {
			since = time.Time{}
			continue
		}
		if since.IsZero() {
			since = time.Now()
		}
		if time.Since(since) < engineGoesOn {
			continue
		}
		// What fails here is tried again.
		if _, err := s.arrivalsStream(ctx, n, box, false); err == nil {
			// The engine takes back what it had asked of the box, without being waited
			// for, and under the name that it asks for anew.
			select {
			case <-time.After(takesBack):
			case <-ctx.Done():
			}
			_, _ = s.arrivalsStream(context.WithoutCancel(ctx), n, box, true)
		}
		since = time.Now().Add(engineGoesOn) // the request needs a moment
		came = since
	}
}

// connected reports whether a box is connected.
func (s *session) connected(box string) bool {
	leafs, err := s.srv.Leafz(&server.LeafzOptions{Account: "box-" + box})
	return err == nil && len(leafs.Leafs) > 0
}

// arrival reads a message of a box. The subject, by which the engine filters,
// and the headers must say the same.
func (n naming) arrival(m jetstream.Msg) (a Arrival) {
	a.Bytes = m.Data()
	if a.Event, a.Type, a.Err = n.head(m.Headers()); a.Err == nil {
		var subject string
		if subject, a.Err = n.subject(a.Event.Source); a.Err == nil && subject != m.Subject() {
			a.Err = fmt.Errorf("it came under subject %q but says that its source is %q", m.Subject(), a.Event.Source)
		}
	}
	if a.Err == nil {
		a.Event.Data, a.Err = events.Decode(a.Type, a.Bytes)
	}
	if a.Err != nil && a.Event.Source == "" {
		a.Event.Source = n.sourceFromSubject(m.Subject())
	}
	return a
}

// BoxLink says how the line to a bench box is.
type BoxLink struct {
	Up bool
	IP string // of the box, while it is connected
	// Flowing says that the engine hears from the box's stream, and Waiting how many
	// of its events are known not to have come yet.
	Flowing bool
	Waiting uint64
}

// BoxLinks tells of each bench box that is connected.
func (j *Journal) BoxLinks(ctx context.Context) (map[string]BoxLink, error) {
	s, err := j.waitSession(ctx)
	if err != nil || s.srv == nil || j.cfg.Boxes == nil {
		return nil, err
	}
	leafs, err := s.srv.Leafz(nil)
	if err != nil {
		return nil, fmt.Errorf("ask for the bench boxes that are connected: %w", err)
	}
	out := map[string]BoxLink{}
	for _, x := range j.cfg.Boxes.Boxes {
		out[x.ID] = BoxLink{}
		for _, l := range leafs.Leafs {
			if l.Account == "box-"+x.ID {
				link := BoxLink{Up: true, IP: l.IP}
				link.Flowing, link.Waiting = s.flow(ctx, j.names, x.ID)
				out[x.ID] = link
			}
		}
	}
	return out, nil
}

// flow asks whether the engine hears from a box's stream, and how many events it
// has yet to carry over.
func (s *session) flow(ctx context.Context, n naming, box string) (flowing bool, waiting uint64) {
	stream, err := s.js.Stream(ctx, n.arrivalsStream(box))
	if err != nil {
		return false, 0
	}
	for _, src := range stream.CachedInfo().Sources {
		return src.Error == nil && src.Active >= 0 && src.Active < goesOn, src.Lag
	}
	return false, 0
}

// UplinkUp reports whether the server of a bench box is connected to the shop.
func (j *Journal) UplinkUp() bool {
	j.mu.Lock()
	s := j.session
	j.mu.Unlock()
	return s != nil && s.srv != nil && s.srv.NumLeafNodes() > 0
}
