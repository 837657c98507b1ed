package ingest

import (
	"witnessmark/events"
	"witnessmark/events/quantity"
)

// DeviceStatus says how a device is, now. Counts are since Run began.
type DeviceStatus struct {
	Device  events.Device
	Profile string // name and short hash
	// Link is a Link constant of events; "" before the first attempt.
	Link   string
	Detail string // for people, what to do about Link; "" if it is up
	Port   string // the port in use, or tried last
	Since  events.Instant

	LastAt     events.Instant // last good reading that is on disk; 0: none is known
	LastText   string         // "35.25 N·m"; "" if none is known
	LastStatus string         // what the tool said of it, e.g. "ok"

	LastRefused string // why the last refused frame was refused

	Readings uint64 // readings taken, repeated ones not
	Refused  uint64 // frames refused
	Repeated uint64 // readings that came again
	Gaps     uint64 // skips of the tool's counter
	Samples  uint64 // of polled and streaming tools
	Bytes    uint64 // bytes received

	// NotStored is how many events wait although they should be in the
	// journal; 0 if all is well. Above 0, the page shows "not stored".
	NotStored  int
	StoreError string // why, for people
	// Held: the port is read no more until the journal takes events.
	Held bool
}

// Status returns how each device is, in the order of Config.Devices.
func (c *Capture) Status() []DeviceStatus {
	out := make([]DeviceStatus, len(c.devices))
	for i, d := range c.devices {
		d.mu.Lock()
		out[i] = d.status
		d.mu.Unlock()
		out[i].NotStored, out[i].StoreError, out[i].Held = d.store.waiting()
	}
	return out
}

// count changes the status.
func (d *device) count(fn func(*DeviceStatus)) {
	d.mu.Lock()
	fn(&d.status)
	d.mu.Unlock()
}

// good notes a reading that was taken: it is on disk.
func (d *device) good(r events.ReadingTaken) {
	d.mu.Lock()
	d.status.Readings++
	d.status.last(r)
	d.mu.Unlock()
}

func (st *DeviceStatus) last(r events.ReadingTaken) {
	st.LastAt, st.LastStatus, st.LastText = r.ReceivedAtUs, r.ToolStatus, r.Text
	if u, ok := quantity.UnitByCode(r.Unit); ok {
		st.LastText += " " + u.Symbol()
	}
}

func (d *device) portInUse() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.status.Port
}
