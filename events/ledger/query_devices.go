package ledger

import (
	"context"
	"database/sql"
	"errors"

	"witnessmark/events"
)

// Device is a device of the shop file in force, or one that has sent
// something, and how it does.
type Device struct {
	events.Device      // zero but for ID if it is not in the shop file in force
	InShop        bool // it is in the shop file in force
	Readings      int  // over the whole journal, as all counts here
	Refused       int  // frames that could not be read
	Repeated      int  // frames that the tool sent again
	Gaps          int  // times that the tool's counter skipped
	Last          *Reading
	LastRefused   *FrameRefused
	Link          *LinkState // nil: nothing is known
}

// FrameRefused is a run of bytes that the profile could not read.
type FrameRefused struct {
	Seq uint64
	events.FrameRefused
}

// LinkState is a change of a device's connection.
type LinkState struct {
	Seq uint64
	events.LinkChanged
}

// Devices returns the devices of the shop file in force in its order, then
// the others that have ever sent something.
func (q *Queries) Devices(ctx context.Context) ([]Device, error) {
	type row struct {
		Device
		reading, refused, link uint64
	}
	rows, err := all(ctx, q, "devices", `SELECT coalesce(s.device, d.device), s.device IS NOT NULL,
		coalesce(s.tool, ''), coalesce(s.bench, ''), coalesce(s.profile, ''), coalesce(s.port, ''),
		coalesce(s.usb_vendor, ''), coalesce(s.usb_product, ''), coalesce(s.usb_serial, ''), coalesce(s.box, ''),
		coalesce(d.readings, 0), coalesce(d.refused, 0), coalesce(d.repeated, 0), coalesce(d.gaps, 0),
		coalesce(d.last_reading, 0), coalesce(d.last_refused, 0), coalesce(d.last_link, 0)
		FROM (SELECT * FROM shop_devices WHERE adopted = (SELECT max(id) FROM shops)) s
		FULL JOIN devices d ON d.device = s.device
		ORDER BY s.place IS NULL, s.place, d.device`,
		func(r scanner, x *row) error {
			d := &x.Device.Device
			return r.Scan(&d.ID, &x.InShop, &d.Tool, &d.Bench, &d.Profile, &d.Port, &d.USBVendor, &d.USBProduct, &d.USBSerial, &d.Box,
				&x.Readings, &x.Refused, &x.Repeated, &x.Gaps, &x.reading, &x.refused, &x.link)
		})
	if err != nil {
		return nil, err
	}
	out := make([]Device, len(rows))
	for i := range rows {
		out[i] = rows[i].Device
		if err := q.lastOf(ctx, &out[i], rows[i].reading, rows[i].refused, rows[i].link); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// lastOf fills in the last reading, refused frame and link state.
func (q *Queries) lastOf(ctx context.Context, d *Device, reading, refused, link uint64) error {
	if reading > 0 {
		switch r, err := q.Reading(ctx, reading); {
		case err == nil:
			d.Last = &r
		case !errors.Is(err, ErrUnknown): // else it was removed under the shop's rule
			return err
		}
	}
	if refused > 0 {
		f, err := one(ctx, q, "refused frame", frameColumns+"WHERE seq = ?", scanFrame, int64(refused))
		switch {
		case err == nil:
			d.LastRefused = &f
		case !errors.Is(err, ErrUnknown):
			return err
		}
	}
	if link > 0 {
		s, err := one(ctx, q, "link state", linkColumns+"WHERE seq = ?", scanLink, int64(link))
		if err != nil {
			return err
		}
		d.Link = &s
	}
	return nil
}

const frameColumns = "SELECT seq, device, tool, bench, bytes, byte_offset, reason, detail, profile, received_at_us FROM frames_refused "

func scanFrame(r scanner, f *FrameRefused) error {
	return r.Scan(&f.Seq, &f.Device, &f.Tool, &f.Bench, &f.Bytes, &f.Offset, &f.Reason, &f.Detail, &f.Profile, &f.ReceivedAtUs)
}

// FramesRefused returns the newest frames of a device that could not be read,
// newest first; device "" means all devices.
func (q *Queries) FramesRefused(ctx context.Context, device string, max int) ([]FrameRefused, error) {
	if device == "" {
		return all(ctx, q, "refused frames", frameColumns+"ORDER BY seq DESC LIMIT ?", scanFrame, limit(max))
	}
	return all(ctx, q, "refused frames", frameColumns+"WHERE device = ? ORDER BY seq DESC LIMIT ?", scanFrame, device, limit(max))
}

const linkColumns = "SELECT seq, device, bench, port, state, detail, at_us FROM links "

func scanLink(r scanner, s *LinkState) error {
	return r.Scan(&s.Seq, &s.Device, &s.Bench, &s.Port, &s.State, &s.Detail, &s.AtUs)
}

// Links returns the newest changes of a device's connection, newest first.
func (q *Queries) Links(ctx context.Context, device string, max int) ([]LinkState, error) {
	return all(ctx, q, "link states", linkColumns+"WHERE device = ? ORDER BY seq DESC LIMIT ?", scanLink, device, limit(max))
}

// Gap is a skip of a tool's own counter.
type Gap struct {
	Seq uint64
	events.CounterGapFound
}

// Gaps returns the newest skips of all tools' counters, newest first.
func (q *Queries) Gaps(ctx context.Context, max int) ([]Gap, error) {
	return all(ctx, q, "counter gaps",
		"SELECT seq, device, tool, bench, after_counter, next_counter, restart, received_at_us FROM counter_gaps ORDER BY seq DESC LIMIT ?",
		func(r scanner, g *Gap) error {
			return r.Scan(&g.Seq, &g.Device, &g.Tool, &g.Bench, &g.After, &g.Next, &g.Restart, &g.ReceivedAtUs)
		}, limit(max))
}

// Samples is the summary of a run of samples.
type Samples struct {
	Seq                 uint64
	Device, Tool, Bench string
	Unit                string // unit code of Least and Most
	Count               int
	Least, Most         sql.NullFloat64 // in Unit; not valid for an empty run
	FirstAtUs, LastAtUs events.Instant
	Status              string // what the tool said of itself; "" if nothing
}

// SamplesOf returns the newest runs of samples of a device, newest first.
func (q *Queries) SamplesOf(ctx context.Context, device string, max int) ([]Samples, error) {
	return all(ctx, q, "samples", `SELECT seq, device, tool, bench, unit, samples, least_in_unit, most_in_unit, first_at_us, last_at_us, status
		FROM samples WHERE device = ? ORDER BY seq DESC LIMIT ?`,
		func(r scanner, s *Samples) error {
			return r.Scan(&s.Seq, &s.Device, &s.Tool, &s.Bench, &s.Unit, &s.Count, &s.Least, &s.Most, &s.FirstAtUs, &s.LastAtUs, &s.Status)
		}, device, limit(max))
}
