// Package ingest captures what tools send: it opens their ports, turns bytes
// into events and hands them to the journal. Nothing that a tool sent is
// thrown away, and a tool that waits for an answer gets it only once its
// reading is in the journal.
//
// Each device has two goroutines. One finds and opens the port, reads, decodes
// and numbers events (device.go, session.go); it is the only one that knows
// the tool's counter, so the order of events is the order of bytes. The other
// stores them (store.go): what has come while it was storing goes into one
// Append. The reader never waits for the disk, so times of receipt stay true
// while the journal is slow, and the one hop costs a few microseconds.
//
// If the journal does not take events they wait in memory, in order, up to
// Config.Backlog. Then the port is read no more: the kernel's buffer fills
// (4 to 16 kB), and a tool that resends keeps its readings. Nothing is dropped
// and the tool gets no answer meanwhile.
package ingest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"regexp"
	"sync"
	"time"

	"witnessmark/events"
	"witnessmark/ingest/port"
	"witnessmark/ingest/profile"
)

// Appender is what ingest needs of a journal.
//
// If it also has Newest, as the journal has, ingest looks further back at the
// start, and so recognises a resent reading even if other events of the
// device came after it. If it has LastNumber, that is heeded too.
type Appender interface {
	// Append returns nil only when all events are stored. Storing an event
	// again, with the same source and number, must be harmless.
	Append(ctx context.Context, evs ...events.Event) ([]uint64, error)
	LastOf(ctx context.Context, source string) (events.Entry, bool, error)
}

// Port is an open line to a tool. net.Conn, *os.File and *port.Port are Ports.
// If it has Stale() []byte, those bytes had waited before it was opened.
type Port interface {
	Read([]byte) (int, error)
	Write([]byte) (int, error)
	Close() error
	SetReadDeadline(time.Time) error
	SetWriteDeadline(time.Time) error
}

// Config says what to capture.
type Config struct {
	Devices []events.Device
	// Profiles opens the profile that a device names. Default: profile.Open.
	Profiles func(name string) (*profile.Profile, error)
	Journal  Appender
	Log      *slog.Logger // default: none
	// OpenPort opens a port by name. Default: port.Open.
	OpenPort func(name string, line profile.Line) (Port, error)
	// FindPort finds the port of a USB identity. Default: port.Find.
	FindPort func(port.USB) (string, error)
	// Now is the wall clock that times of receipt come from. It may jump;
	// durations are measured by the monotonic clock. Default: time.Now.
	Now func() time.Time
	// Backlog is how many events of one device are kept in memory while the
	// journal does not take them, before its port is read no more. Default
	// 4,096, about 4 MB at worst for usual frames.
	Backlog int
	// Reopen is the pause before a port is tried again, after a failure or a
	// hang-up. Default 100 ms, doubled up to 3 s.
	Reopen Backoff
	// Retry is the pause before events are offered to the journal again.
	// Default 100 ms, doubled up to 5 s.
	Retry Backoff
	// Grace is how long Run goes on storing what was read after its context
	// has ended. Default 3 s.
	Grace time.Duration
}

// Backoff is a pause that doubles from First up to Most.
type Backoff struct{ First, Most time.Duration }

// after returns the pause after n failures, n from 1 up.
func (b Backoff) after(n int) time.Duration {
	d := b.First
	for ; n > 1 && d < b.Most; n-- {
		d *= 2
	}
	return min(d, b.Most)
}

func (b Backoff) or(first, most time.Duration) Backoff {
	if b.First <= 0 {
		b.First = first
	}
	if b.Most <= 0 {
		b.Most = most
	}
	b.Most = max(b.First, b.Most)
	return b
}

func (c Config) withDefaults() Config {
	if c.Profiles == nil {
		c.Profiles = profile.Open
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.OpenPort == nil {
		c.OpenPort = openSerial
	}
	if c.FindPort == nil {
		c.FindPort = port.Find
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Backlog <= 0 {
		c.Backlog = 4096
	}
	if c.Grace <= 0 {
		c.Grace = 3 * time.Second
	}
	c.Reopen = c.Reopen.or(100*time.Millisecond, 3*time.Second)
	c.Retry = c.Retry.or(100*time.Millisecond, 5*time.Second)
	return c
}

var deviceID = regexp.MustCompile(`^[A-Za-z0-9_-]{1,100}$`)

// Validate reports what is wrong with c, all of it.
func (c Config) Validate() error {
	var errs []error
	if c.Journal == nil {
		errs = append(errs, errors.New("capture without a journal: give one"))
	}
	ids, ports := map[string]bool{}, map[string]string{}
	for _, d := range c.Devices {
		if !deviceID.MatchString(d.ID) {
			errs = append(errs, fmt.Errorf("device %q: want an id of letters, digits, '-' and '_'", d.ID))
		}
		if ids[d.ID] {
			errs = append(errs, fmt.Errorf("device %q: the id is there twice: rename one", d.ID))
		}
		ids[d.ID] = true
		where := d.Port
		if where == "" && d.USBVendor != "" && d.USBProduct != "" {
			where = usbOf(d).String()
		}
		if where == "" {
			errs = append(errs, fmt.Errorf("device %q: neither port nor usb_vendor with usb_product: give one of them", d.ID))
		} else if other := ports[where]; other != "" {
			errs = append(errs, fmt.Errorf("device %q: device %q has %s already: give it another, or tell the two apart by usb_serial", d.ID, other, where))
		}
		ports[where] = d.ID
	}
	return errors.Join(errs...)
}

// Capture reads a shop's devices. Use New, then Run.
type Capture struct {
	cfg     Config
	devices []*device
}

// New checks cfg and opens the profiles; it opens no port yet.
func New(cfg Config) (*Capture, error) {
	if err := cfg.Validate(); err != nil {
		return nil, err
	}
	c := &Capture{cfg: cfg.withDefaults()}
	for _, d := range cfg.Devices {
		p, err := c.cfg.Profiles(d.Profile)
		if err != nil {
			return nil, fmt.Errorf("device %q: %w", d.ID, err)
		}
		c.devices = append(c.devices, newDevice(&c.cfg, d, p))
	}
	return c, nil
}

// Run captures until ctx ends, then stores what was read, for at most
// Config.Grace, and returns once all that it started has ended. The error is
// nil, or says how many events could not be stored in that time.
func (c *Capture) Run(ctx context.Context) error {
	if err := c.recall(ctx); err != nil {
		return nil // ctx has ended before anything was read
	}
	errs := make([]error, len(c.devices))
	var all sync.WaitGroup
	for i, d := range c.devices {
		all.Go(func() { errs[i] = d.run(ctx) })
	}
	all.Wait()
	return errors.Join(errs...)
}

// ListPorts returns the serial ports of this machine, each with what is wrong
// with it and what to do about it. It opens none.
func ListPorts() ([]port.Info, error) { return port.List() }

func usbOf(d events.Device) port.USB {
	return port.USB{Vendor: d.USBVendor, Product: d.USBProduct, Serial: d.USBSerial}
}
