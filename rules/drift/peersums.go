package drift

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// mostKinds is how many kinds of joints Peers keeps; pulls of further ones are
// passed over. Our choice, as many as the matching keeps.
const mostKinds = 5000

// Full reports whether a kind is new and there is no room for it.
func (p *Peers) Full(kind string) bool {
	_, known := p.kinds[kind]
	return !known && len(p.kinds) >= mostKinds
}

// Drop forgets a tool: it was adjusted, or has gone.
func (p *Peers) Drop(tool string) {
	gone, ok := p.tools[tool]
	if !ok {
		return
	}
	q := NewPeers()
	q.kinds, q.within, q.Refused = p.kinds, p.within, p.Refused
	moved := func(c lane) (lane, bool) {
		switch {
		case c.tool == gone:
			return c, false
		case c.tool > gone:
			c.tool--
		}
		return c, true
	}
	for i, name := range p.names {
		if i != gone {
			q.tool(name)
		}
	}
	for c, v := range p.open {
		if n, ok := moved(c); ok {
			q.open[n] = v
		}
	}
	for c, by := range p.sums {
		if n, ok := moved(c); ok {
			q.sums[n] = by
		}
	}
	*p = *q
}

// Tools gives the tools in the order in which they first came.
func (p *Peers) Tools() []string { return slices.Clone(p.names) }

// Clone gives a copy that shows no later change.
func (p *Peers) Clone() *Peers {
	q := *p
	q.tools, q.kinds = maps.Clone(p.tools), maps.Clone(p.kinds)
	q.names, q.within, q.open = slices.Clone(p.names), slices.Clone(p.within), maps.Clone(p.open)
	q.sums = make(map[lane]map[int]means, len(p.sums))
	for c, by := range p.sums { // each by itself: the order does not matter
		q.sums[c] = maps.Clone(by)
	}
	return &q
}

// peersForm is Peers as it is written.
type peersForm struct {
	Tools   []string     `json:"tools,omitempty"`
	Kinds   []string     `json:"kinds,omitempty"`
	Within  [][2]float64 `json:"within,omitempty"` // sum of squares, degrees of freedom
	Open    []openForm   `json:"open,omitempty"`
	Sums    []sumForm    `json:"sums,omitempty"`
	Refused int          `json:"refused,omitempty"`
}

type openForm struct {
	Kind  int     `json:"k"`
	Tool  int     `json:"t"`
	Joint string  `json:"j"`
	N     int     `json:"n"`
	Mean  float64 `json:"m"`
	SS    float64 `json:"s"`
}

type sumForm struct {
	Kind   int     `json:"k"`
	Tool   int     `json:"t"`
	Size   int     `json:"z"`
	N      float64 `json:"n"`
	Sum    float64 `json:"s"`
	Square float64 `json:"q"`
}

// MarshalJSON writes the sums, the same bytes for the same sums.
func (p *Peers) MarshalJSON() ([]byte, error) {
	w := peersForm{Tools: p.names, Kinds: make([]string, len(p.kinds)), Refused: p.Refused}
	for name, i := range p.kinds { // each to its own place
		w.Kinds[i] = name
	}
	for _, v := range p.within {
		w.Within = append(w.Within, [2]float64{v.ss, v.df})
	}
	for _, c := range sortedLanes(p.open) {
		v := p.open[c]
		w.Open = append(w.Open, openForm{c.kind, c.tool, v.joint, v.n, v.mean, v.ss})
	}
	for _, c := range sortedLanes(p.sums) {
		for _, n := range sizes(p.sums[c]) {
			m := p.sums[c][n]
			w.Sums = append(w.Sums, sumForm{c.kind, c.tool, n, m.n, m.sum, m.square})
		}
	}
	return json.Marshal(w)
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (p *Peers) UnmarshalJSON(b []byte) error {
	var w peersForm
	d := json.NewDecoder(strings.NewReader(string(b)))
	d.DisallowUnknownFields()
	if err := d.Decode(&w); err != nil {
		return err
	}
	q := NewPeers()
	q.Refused = w.Refused
	for _, name := range w.Tools {
		q.tool(name)
	}
	for _, name := range w.Kinds {
		q.kind(name)
	}
	if len(w.Within) != len(w.Kinds) || len(q.names) != len(w.Tools) || len(q.kinds) != len(w.Kinds) {
		return fmt.Errorf("sums of %d kinds for %d kinds", len(w.Within), len(w.Kinds))
	}
	for i, v := range w.Within {
		q.within[i] = within{v[0], v[1]}
	}
	holds := func(kind, tool int) bool {
		return 0 <= kind && kind < len(w.Kinds) && 0 <= tool && tool < len(w.Tools)
	}
	for _, o := range w.Open {
		if !holds(o.Kind, o.Tool) {
			return fmt.Errorf("a visit of kind %d by tool %d, which are not there", o.Kind, o.Tool)
		}
		q.open[lane{o.Kind, o.Tool}] = visit{o.Joint, o.N, o.Mean, o.SS}
	}
	for _, m := range w.Sums {
		if !holds(m.Kind, m.Tool) {
			return fmt.Errorf("a sum of kind %d by tool %d, which are not there", m.Kind, m.Tool)
		}
		c := lane{m.Kind, m.Tool}
		if q.sums[c] == nil {
			q.sums[c] = map[int]means{}
		}
		q.sums[c][m.Size] = means{m.N, m.Sum, m.Square}
	}
	*p = *q
	return nil
}
