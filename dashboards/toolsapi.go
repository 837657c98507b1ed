package dashboards

import (
	"net/http"

	"witnessmark/events"
	"witnessmark/rules"
)

// ToolNow is where a tool of the register stands, as GET /api/tools gives it.
type ToolNow struct {
	events.Tool
	State      events.ToolState `json:"state"`
	At         string           `json:"at,omitempty"`  // where it is
	Why        string           `json:"why,omitempty"` // of the last move
	Cycles     int64            `json:"cycles"`
	Overloads  int64            `json:"overloads"`
	CyclesLeft *int64           `json:"cycles_left,omitempty"` // until it is due; absent where no bound holds
	Since      string           `json:"since"`                 // date of the calibration that counts
	Until      string           `json:"until"`                 // last day of use
	By         string           `json:"by"`                    // what says so
	Standing   events.Standing  `json:"standing"`
	Refused    string           `json:"refused,omitempty"` // why it may not be used
	Open       string           `json:"open,omitempty"`    // id of the open calibration or check
	Checks     int              `json:"checks"`            // quick checks that it can be compared with
}

// toolsJSON answers GET /api/tools, in the order of the shop file.
func (p *Pages) toolsJSON(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet {
		w.WriteHeader(http.StatusMethodNotAllowed)
		return
	}
	var out []ToolNow
	p.cfg.Service.View(func(st *rules.State) {
		out = ToolsNow(st, events.InstantOf(p.now()))
	})
	_ = writeJSON(w, http.StatusOK, map[string]any{"tools": out}) // strings and finite numbers only
}

// ToolsNow tells of every tool of the shop file where it stands.
func ToolsNow(st *rules.State, now events.Instant) []ToolNow {
	out := []ToolNow{}
	for _, t := range st.Shop.Tools {
		n := st.Tools[t.ID]
		if n == nil {
			continue
		}
		x := ToolNow{Tool: t, State: n.State, At: n.Place, Why: n.Why, Cycles: n.Cycles, Overloads: n.Overloads, Since: n.Calibrated, Until: n.Due,
			By: n.By, Standing: n.Standing, Refused: st.Unfit(t.ID, now), Checks: len(n.Checks)}
		if x.At == "" {
			x.At = t.Place
		}
		if left, ok := st.CyclesLeft(t.ID); ok {
			x.CyclesLeft = &left
		}
		switch {
		case n.Calibration != nil:
			x.Open = n.Calibration.Calibration
		case n.Check != nil:
			x.Open = n.Check.Check
		}
		out = append(out, x)
	}
	return out
}
