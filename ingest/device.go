package ingest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"

	"witnessmark/events"
	"witnessmark/events/settle"
	"witnessmark/ingest/port"
	"witnessmark/ingest/profile"
)

// device captures one tool. All but status and store belong to the goroutine
// of link.
type device struct {
	cfg     *Config
	dev     events.Device
	profile *profile.Profile
	source  string
	log     *slog.Logger
	store   *store

	next     uint64 // number of the next event of source
	memory   memory
	detector *settle.Detector // nil if the tool sends peaks only
	stroke   *profile.Stroke  // nil if it is no press gauge that streams

	mu     sync.Mutex
	status DeviceStatus
}

func newDevice(c *Config, dev events.Device, p *profile.Profile) *device {
	log := c.Log.With("device", dev.ID, "tool", dev.Tool)
	d := &device{
		cfg: c, dev: dev, profile: p, source: events.DeviceSource(dev.ID), log: log,
		next:   1,
		memory: memory{modulus: p.CounterModulus(), resends: p.Resends()},
		status: DeviceStatus{Device: dev, Profile: p.ID()},
	}
	d.store = newStore(c, log, d.good)
	_, _, d.memory.traces = p.Traces()
	if cfg, ok := p.Settle(); ok {
		// A Profile holds checked settings, so this cannot fail.
		d.detector, _ = settle.New(cfg)
	}
	d.stroke = p.Stroke()
	return d
}

// run captures until ctx ends and then stores the rest.
func (d *device) run(ctx context.Context) error {
	var err error
	var writer sync.WaitGroup
	writer.Go(func() { err = d.store.run(ctx) })
	d.link(ctx)
	d.store.close(d.cfg.Grace)
	writer.Wait()
	if err != nil {
		return fmt.Errorf("device %q: %w", d.dev.ID, err)
	}
	return nil
}

// link opens the port, reads it until it hangs up, and opens it again.
func (d *device) link(ctx context.Context) {
	for failures := 0; ctx.Err() == nil; {
		opened := time.Now()
		err := d.once(ctx)
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			d.linkFailed(err)
		}
		// A line that held for a while starts over with short pauses; one that
		// only flickers does not.
		if time.Since(opened) > d.cfg.Reopen.Most {
			failures = 0
		}
		failures++
		select {
		case <-ctx.Done():
		case <-time.After(d.cfg.Reopen.after(failures)):
		}
	}
}

// lastAnswers is how long a port stays open after the last byte was read from
// it, so that the tool still hears that its reading is safe.
const lastAnswers = 500 * time.Millisecond

// once opens the port and reads it until it hangs up or ctx ends.
func (d *device) once(ctx context.Context) error {
	// No more opening either while events cannot be stored.
	if err := d.store.waitRoom(ctx); err != nil {
		return err
	}
	name, err := d.portName()
	if err != nil {
		return err
	}
	p, err := d.cfg.OpenPort(name, d.profile.Line())
	if err != nil {
		return err
	}
	s := newSession(d, p)
	defer s.line.close()
	d.changeLink(events.LinkUp, name, "")
	d.log.Info("port open", "port", name)
	err = s.run(ctx)
	s.end(ctx)
	if ctx.Err() != nil {
		d.store.settle(lastAnswers)
	}
	return &hangUp{port: name, err: err}
}

func (d *device) portName() (string, error) {
	if d.dev.Port != "" {
		return d.dev.Port, nil
	}
	return d.cfg.FindPort(usbOf(d.dev))
}

// hangUp is the end of an open line.
type hangUp struct {
	port string
	err  error
}

func (e *hangUp) Error() string { return "line " + e.port + " ended: " + e.err.Error() }
func (e *hangUp) Unwrap() error { return e.err }

// linkFailed notes why there is no line.
func (d *device) linkFailed(err error) {
	state, name, detail := d.whyNoLink(err)
	if d.changeLink(state, name, detail) {
		d.log.Warn("no line to the tool; trying again", "state", state, "port", name, "err", err)
	}
}

func (d *device) whyNoLink(err error) (state, name, detail string) {
	var up *hangUp
	var pe *port.Error
	switch {
	case errors.As(err, &up):
		return events.LinkDown, up.port, "the line hung up: check plug, cable and the tool's power; it is opened again by itself"
	case errors.As(err, &pe):
		state := map[port.Kind]string{port.Denied: events.LinkDenied, port.Busy: events.LinkBusy}[pe.Kind]
		if state == "" {
			state = events.LinkAbsent
		}
		return state, pe.Port, pe.Detail
	case errors.Is(err, os.ErrPermission):
		state = events.LinkDenied
	default:
		state = events.LinkAbsent
	}
	return state, d.dev.Port, err.Error() + ": check plug, cable and the shop file; it is tried again by itself"
}

// changeLink notes a link state and makes it an event if it is new.
func (d *device) changeLink(state, name, detail string) bool {
	d.mu.Lock()
	same := d.status.Link == state && d.status.Port == name
	d.status.Link, d.status.Port, d.status.Detail = state, name, detail
	now := d.now()
	if !same {
		d.status.Since = now
	}
	d.mu.Unlock()
	if same {
		return false
	}
	d.store.put([]pending{d.event(now, events.LinkChanged{
		Device: d.dev.ID, Bench: d.dev.Bench, Port: name, State: state, Detail: detail, AtUs: now,
	})})
	return true
}

func (d *device) now() events.Instant { return events.InstantOf(d.cfg.Now()) }

// event numbers data as the next event of the device.
func (d *device) event(at events.Instant, data events.Data) pending {
	n := d.next
	d.next++
	return pending{
		ev:    events.Event{Source: d.source, Number: n, Time: at, Subject: d.dev.Tool, Data: data},
		since: time.Now(),
	}
}

// openSerial opens a real serial port.
func openSerial(name string, l profile.Line) (Port, error) {
	p, err := port.Open(name, port.Line{
		Baud: l.Baud, DataBits: l.DataBits, Parity: string(l.Parity), StopBits: l.StopBits, Flow: string(l.Flow),
	})
	if err != nil {
		return nil, err // not p: a nil *port.Port is no nil Port
	}
	return p, nil
}
