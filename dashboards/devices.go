package dashboards

import (
	"encoding/hex"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/ingest"
	"witnessmark/rules"
)

type deviceView struct {
	ID, Tool, Serial, Calibrated, Due string
	Overdue                           bool
	Bench, Profile, Port              string
	Link, Tone, Detail, Todo, Since   string
	Last, LastAt                      string
	Readings, Refused, Repeated, Gaps int
	InShop                            bool
	NotStored, Box, Mark              string
	lastAt                            events.Instant
}

type refusedView struct {
	Seq                        uint64
	Device, At, Reason, Detail string
	Bytes                      []byte
	Offset                     uint64
}

type devicesView struct {
	Boxes   []boxView // each with what is plugged into it
	Devices []deviceView
	Refused []refusedView
}

// devices shows every bench box with its tools, then every device: its link and
// what to do, its last good reading, and the bytes that could not be read.
func (p *Pages) devices(w http.ResponseWriter, r *http.Request) error {
	p.hub.warm("")
	ds, err := p.cfg.Ledger.Devices(r.Context())
	if err != nil {
		return err
	}
	frames, err := p.cfg.Ledger.FramesRefused(r.Context(), "", 100)
	if err != nil {
		return err
	}
	now := map[string]ingest.DeviceStatus{}
	if p.cfg.Devices != nil {
		for _, s := range p.cfg.Devices() {
			now[s.Device.ID] = s
		}
	}
	var d devicesView
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		d.Boxes = p.boxes(v)
		for i := range ds {
			dv := v.device(&ds[i])
			if s, ok := now[dv.ID]; ok {
				dv.live(s, v)
			}
			if i := slices.IndexFunc(d.Boxes, func(b boxView) bool { return ds[i].Box != "" && b.ID == ds[i].Box }); i >= 0 {
				b := &d.Boxes[i]
				dv = v.take(b, dv, b.Link == "up" || b.Link == "behind")
			}
			d.Devices = append(d.Devices, dv)
		}
		for i := range frames {
			f := &frames[i]
			d.Refused = append(d.Refused, refusedView{f.Seq, f.Device, clockTime(f.ReceivedAtUs, v.now), reasonWords(f.Reason), f.Detail, f.Bytes, f.Offset})
		}
	})
	return p.livePage(w, r, "devices", "Devices", d)
}

func (v viewer) device(d *ledger.Device) deviceView {
	dv := deviceView{ID: d.ID, Bench: v.benchName(d.Bench), Profile: d.Profile, Port: portWords(d), InShop: d.InShop,
		Tool: v.toolName(d.Tool), Readings: d.Readings, Refused: d.Refused, Repeated: d.Repeated, Gaps: d.Gaps, Last: "none yet"}
	for _, t := range v.st.Shop.Tools {
		if t.ID == d.Tool {
			dv.Serial = t.Serial
			dv.Calibrated, dv.Due = v.dates(&t)
			dv.Overdue = dv.Due != "" && dv.Due < v.now.UTC().Format(time.DateOnly)
			dv.Due = dueDay(dv.Due)
		}
	}
	state := ""
	if d.Link != nil {
		state, dv.Detail, dv.Since = d.Link.State, d.Link.Detail, clockTime(d.Link.AtUs, v.now)
	}
	dv.Link, dv.Tone, dv.Todo = linkWords(state)
	if dv.Detail != "" {
		dv.Todo = "" // the detail ends with what to do, and knows more
	}
	if d.Last != nil {
		dv.lastAt = d.Last.ReceivedAtUs
		dv.Last, dv.LastAt = asSent(d.Last.Text, d.Last.Unit), clockTime(dv.lastAt, v.now)
	}
	return dv
}

// live takes what the capture knows now: it is newer than the ledger, and
// there even when nothing can be stored.
func (dv *deviceView) live(s ingest.DeviceStatus, v viewer) {
	dv.Detail, dv.Since, dv.Port, dv.Profile = s.Detail, "", s.Port, s.Profile
	if s.Since > 0 {
		dv.Since = clockTime(s.Since, v.now)
	}
	dv.Link, dv.Tone, dv.Todo = linkWords(s.Link)
	if dv.Detail != "" {
		dv.Todo = ""
	}
	if s.NotStored > 0 {
		dv.NotStored = plural(s.NotStored, "event") + " not stored: " + s.StoreError
	}
}

func portWords(d *ledger.Device) string {
	if d.Port != "" {
		return d.Port
	}
	if d.USBVendor == "" {
		return ""
	}
	return strings.TrimSpace("USB " + d.USBVendor + ":" + d.USBProduct + " " + d.USBSerial)
}

func reasonWords(code string) string {
	switch code {
	case "noise":
		return "bytes that are no frame"
	case "checksum":
		return "checksum does not match"
	case "form":
		return "not the form of this tool"
	case "number":
		return "no number in it"
	case "unit":
		return "unknown unit"
	case "range":
		return "number out of range"
	case "too_long":
		return "longer than any frame"
	case "cut":
		return "cut off"
	}
	return code
}

// hexdump writes bytes as people who look after serial lines read them: in
// hexadecimal, and as text where they are printable ASCII.
func hexdump(b []byte) string {
	const most = 256
	cut := ""
	if len(b) > most {
		cut = fmt.Sprintf(" … %d bytes in all", len(b))
		b = b[:most]
	}
	text := strings.Map(func(r rune) rune {
		if r < 32 || r > 126 {
			return '·'
		}
		return r
	}, string(latin(b)))
	x := hex.EncodeToString(b)
	var s strings.Builder
	for i := 0; i < len(x); i += 2 {
		s.WriteString(x[i:i+2] + " ")
	}
	return strings.TrimSpace(s.String()) + cut + "   " + text
}

// latin makes a rune of every byte.
func latin(b []byte) []rune {
	out := make([]rune, len(b))
	for i, c := range b {
		out[i] = rune(c)
	}
	return out
}
