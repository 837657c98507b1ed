package dashboards

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"witnessmark/events/journal"
	"witnessmark/events/seal"
)

const troubleEvery = 2 * time.Second

// trouble says what is wrong with the recording itself, for people, worst
// first; nothing if all is well. It is shown on every page.
func (p *Pages) trouble() []string {
	var out []string
	if !p.caughtUp() {
		out = append(out, "Catching up with the journal: what is shown is not complete yet. Wait.")
	}
	out = append(out, p.notStored()...)
	if p.cfg.Seals != nil {
		if why := p.cfg.Seals.Trouble(); why != "" {
			out = append(out, "Nothing is sealed any more. "+sentence(why))
		}
	}
	if n := p.scrubbed(); n.Gone+n.Altered > 0 {
		out = append(out, fmt.Sprintf("The journal on disk is not what was sealed: of its entries %d are gone and %d altered; the first is J%d. Stop the service and run 'witnessmark mend'.",
			n.Gone, n.Altered, n.First))
	}
	if why := p.scrubbed().Seals; why != "" {
		out = append(out, "The seals on disk are damaged. "+sentence(why))
	}
	j := p.cfg.Journal
	if j == nil {
		return out
	}
	st := j.Stats()
	if st.State != journal.StateOK {
		what := "Readings are NOT being recorded now."
		if st.Detail != "" {
			what += " " + st.Detail
		}
		out = append(out, what)
	}
	if holes := j.Holes(); len(holes) > 0 {
		out = append(out, fmt.Sprintf("The journal has %s: %s. Stop the service and run 'witnessmark mend', which fills it from a copy; see the log.", plural(len(holes), "hole"), strings.Join(firstHoles(holes), "; ")))
	}
	if err := p.cfg.Ledger.Trouble(); err != nil {
		out = append(out, "The ledger does not follow: lists and records may be old. "+err.Error())
	}
	return out
}

// scrubbed tells what the last look over the whole journal has found.
func (p *Pages) scrubbed() seal.Scrubbed {
	if s, ok := p.cfg.Seals.(interface{ Scrubbed() seal.Scrubbed }); ok {
		return s.Scrubbed()
	}
	return seal.Scrubbed{}
}

// notices is what every page tells: trouble, and what does not keep readings
// from being taken.
func (p *Pages) notices() []string {
	out := p.trouble()
	if n := p.clock.notice(); n != "" {
		out = append(out, n)
	}
	return out
}

// firstHoles describes holes, but not more than fit into a banner.
func firstHoles(holes []journal.Hole) (out []string) {
	const most = 3
	for _, h := range holes[:min(len(holes), most)] {
		out = append(out, h.String())
	}
	if len(holes) > most {
		out = append(out, "and more")
	}
	return out
}

// notStored names the devices whose events wait although they should be on
// disk.
func (p *Pages) notStored() (out []string) {
	if p.cfg.Devices == nil {
		return nil
	}
	for _, d := range p.cfg.Devices() {
		if d.NotStored > 0 {
			out = append(out, fmt.Sprintf("What %s sent is not stored: %s. %s", d.Device.ID, d.StoreError, "Do not go on working with it until this is gone."))
		}
	}
	return out
}

func (p *Pages) caughtUp() bool {
	if p.cfg.Ready == nil {
		return true
	}
	select {
	case <-p.cfg.Ready:
		return true
	default:
		return false
	}
}

// healthz says that the process answers.
func (p *Pages) healthz(w http.ResponseWriter, _ *http.Request) {
	_ = writeJSON(w, http.StatusOK, map[string]string{"status": "ok"})
}

// readyz says whether readings are taken and shown now: 503 with the reasons
// while the state catches up, the journal cannot be written or has holes, or
// the ledger does not follow.
func (p *Pages) readyz(w http.ResponseWriter, _ *http.Request) {
	if why := p.trouble(); len(why) > 0 {
		_ = writeJSON(w, http.StatusServiceUnavailable, map[string]any{"status": "not ready", "reasons": why})
		return
	}
	_ = writeJSON(w, http.StatusOK, map[string]string{"status": "ready"})
}
