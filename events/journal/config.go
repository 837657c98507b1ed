package journal

import (
	"fmt"
	"log/slog"
	"path/filepath"
	"regexp"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// Config says where a journal is and how far it may grow.
type Config struct {
	// Shop is the shop's id: lower-case letters, digits and '-'.
	Shop string
	// Dir is where an embedded server keeps its files. With URL it may be
	// empty; if it is not, what is known of the stream is kept there.
	Dir string
	// URL of a NATS server with JetStream, instead of an embedded one. It must
	// sync always; see Stats.Sync for what could be proven.
	URL string
	// Link says how the server at URL is spoken to: TLS and the secret.
	Link Link
	// Shared says that other processes write to this journal too, each its own
	// sources, and decisions in turn; see AppendAfter. It needs a URL.
	Shared bool
	// Copy opens a journal to be read only: a stream that the server keeps as the
	// mirror of a shop's own. It needs a URL.
	Copy bool
	// Writer names this process in what it writes to a shared journal. It may be
	// empty.
	Writer string
	// Replicas is on how many nodes of a NATS cluster a new stream is kept: 1
	// (the default), 3 or 5. It needs a URL; a stream that exists stays as it is.
	Replicas int
	// MaxBytes is the greatest size of the stream. Default 32 GiB. Once a
	// stream exists it can grow with this, but does not shrink.
	MaxBytes int64
	// AsItIs opens a journal that is there: none is made, and its stream keeps the
	// limit that it has, whatever MaxBytes says. It is for all but the service.
	AsItIs bool
	// LookOnly is AsItIs for a check: where blocks of an embedded server's store are
	// damaged in a way that the server would cut them, it is ErrDamaged instead.
	LookOnly bool
	// MinFree is how many bytes must stay free where Dir is; Append stops
	// before. Default 256 MiB.
	MinFree uint64
	// AckTimeout is how long to wait for the server before finding out what
	// became of a publish. Default 2 s.
	AckTimeout time.Duration
	// RingEvents and RingBytes bound the entries kept in memory for followers
	// that lag. Defaults 65,536 and 32 MiB (of encoded data).
	RingEvents int
	RingBytes  int
	// Witnesses tell how far the journal is known to have come; one that ends
	// before is not opened. See ErrTailLost.
	Witnesses []Witness
	// AcceptLoss opens a journal whose end is missing; see ErrTailLost. The
	// loss stays in Holes for this run and is logged.
	AcceptLoss bool
	// Boxes lets bench boxes connect to the embedded server; nil: none may.
	Boxes *Boxes
	// Uplink makes this the journal of a bench box; nil: it is a shop's.
	Uplink *Uplink
	// Lamps takes what the shop tells the lamps of a bench box, see TellLamps; it
	// must not wait. nil: it has none.
	Lamps func([]LampAlert) LampState
	// Now is the wall clock that a bench box tells. Default time.Now.
	Now func() time.Time
	// Log takes what is healed (Warn) and what needs a person (Error).
	// Default: none.
	Log *slog.Logger

	streams string // where the streams are, if not where the embedded server has them
}

// Witness is something else that knows an entry that was on disk.
type Witness struct {
	Last uint64 // its sequence
	By   string // for people: what knows it, such as "the ledger"
}

var shopID = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)

// Validate reports whether c can be opened.
func (c Config) Validate() error {
	switch {
	case !shopID.MatchString(c.Shop):
		return fmt.Errorf("open journal: shop id %q: want lower-case letters, digits and '-'", c.Shop)
	case c.Dir == "" && c.URL == "":
		return fmt.Errorf("open journal of shop %q: no directory and no URL: give one of them", c.Shop)
	case c.URL == "" && (c.Shared || c.Copy || c.Replicas > 1):
		return fmt.Errorf("open journal of shop %q: only a journal at a NATS server can be shared or replicated: give its URL", c.Shop)
	case c.Replicas != 0 && c.Replicas != 1 && c.Replicas != 3 && c.Replicas != 5:
		return fmt.Errorf("open journal of shop %q: %d replicas: want 1, 3 or 5", c.Shop, c.Replicas)
	case c.MaxBytes < 0 || c.AckTimeout < 0 || c.RingEvents < 0 || c.RingBytes < 0:
		return fmt.Errorf("open journal of shop %q: a limit is below zero: leave it out for the default", c.Shop)
	}
	if c.URL != "" && (c.Boxes != nil || c.Uplink != nil) {
		return fmt.Errorf("open journal of shop %q: bench boxes need the embedded server: leave out the URL, or the boxes", c.Shop)
	}
	if c.Boxes != nil && c.Uplink != nil {
		return fmt.Errorf("open journal of shop %q: a bench box takes no bench boxes", c.Shop)
	}
	var err error
	switch {
	case c.URL != "":
		err = c.Link.Check(c.URL)
	case c.Boxes != nil:
		err = c.Boxes.validate()
	case c.Uplink != nil:
		err = c.Uplink.validate()
	}
	if err != nil {
		return fmt.Errorf("open journal of shop %q: %w", c.Shop, err)
	}
	return nil
}

// stream names the stream of the journal.
func (c Config) stream() string {
	n := naming{c.Shop}
	if c.Uplink != nil {
		return n.boxStream(c.Uplink.Box)
	}
	return n.stream()
}

func (c Config) withDefaults() (Config, error) {
	if err := c.Validate(); err != nil {
		return c, err
	}
	setDefault(&c.Replicas, 1)
	c.Shared = c.Shared || c.Copy
	c.AsItIs = c.AsItIs || c.LookOnly
	setDefault(&c.MaxBytes, 32<<30)
	setDefault(&c.MinFree, 256<<20)
	setDefault(&c.AckTimeout, 2*time.Second)
	setDefault(&c.RingEvents, 65536)
	setDefault(&c.RingBytes, 32<<20)
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	return c, nil
}

func setDefault[T comparable](v *T, d T) {
	var zero T
	if *v == zero {
		*v = d
	}
}

// place names the journal in messages.
func (c Config) place() string {
	if c.URL != "" {
		return NoSecret(c.URL)
	}
	return c.Dir
}

// streamsDir is where an embedded server keeps its streams.
func (c Config) streamsDir() string {
	if c.streams != "" {
		return c.streams
	}
	return filepath.Join(c.Dir, storeDir, "jetstream", server.DEFAULT_GLOBAL_ACCOUNT, "streams")
}

// streamDir is where it keeps the journal's.
func (c Config) streamDir() string { return filepath.Join(c.streamsDir(), c.stream()) }

// blocksDir is where it keeps the journal's messages.
func (c Config) blocksDir() string { return filepath.Join(c.streamDir(), "msgs") }
