package drift

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"

	"witnessmark/rules/fit"
)

// Two wrenches that work on like joints must see the same torque rate, N·m per
// degree. A tool whose rates are off against its peers reads off by that factor,
// or works differently; the pulls cannot tell which. So what comes of it is a
// suspicion, and a check of the tool, never a verdict.
//
// The model: log rate = kind of joint + tool + joint + fastener. Joint and
// fastener are random: joints of one kind differ (variance Joint²), fasteners
// of one joint too (Fastener²). A visit is the pulls that one tool makes on one
// joint in a row; its mean has variance Joint² + Fastener²/n. Sums are kept by
// kind, tool and n, so memory does not grow with the number of pulls. Source: a
// mixed model by weighted least squares, variances by the method of moments
// (Searle, Casella and McCulloch, Variance Components, 1992; from memory).

// A Pull is one rate seen by a tool.
type Pull struct {
	Kind  string  // kind of joint: alike in thread, parts and procedure
	Joint string  // which one
	Tool  string  // since its last adjustment; a tool adjusted is a new tool here
	Rate  float64 // N·m per degree, as the tool says, over a like part of the pull
}

// Peers holds the streaming sums. The zero value is not ready; see NewPeers.
type Peers struct {
	tools  map[string]int
	names  []string
	kinds  map[string]int
	within []within       // by kind
	open   map[lane]visit // visits not yet ended, one for each kind and tool
	sums   map[lane]map[int]means
	// Refused counts pulls whose rate is not above zero.
	Refused int
}

// A lane is one tool on one kind of joint.
type lane struct{ kind, tool int }

type within struct{ ss, df float64 }

type visit struct {
	joint    string
	n        int
	mean, ss float64
}

type means struct{ n, sum, square float64 } // visits of one size, about the kind's first mean

// mostInVisit caps the size of a visit, and so the number of sums; a longer one
// goes on as a second.
const mostInVisit = 64

// NewPeers returns empty sums.
func NewPeers() *Peers {
	return &Peers{tools: map[string]int{}, kinds: map[string]int{}, open: map[lane]visit{}, sums: map[lane]map[int]means{}}
}

// Add takes one pull. Pulls of one tool come in the order in which they were
// made; tools may interleave.
func (p *Peers) Add(pull Pull) {
	y := math.Log(pull.Rate)
	if math.IsNaN(y) || math.IsInf(y, 0) {
		p.Refused++
		return
	}
	c := lane{p.kind(pull.Kind), p.tool(pull.Tool)}
	v := p.open[c]
	if v.n > 0 && (v.joint != pull.Joint || v.n == mostInVisit) {
		p.end(c, v)
		v = visit{}
	}
	v.joint = pull.Joint
	v.n++
	d := y - v.mean
	v.mean += d / float64(v.n)
	v.ss += d * (y - v.mean)
	p.open[c] = v
}

func (p *Peers) tool(name string) int {
	i, ok := p.tools[name]
	if !ok {
		i = len(p.names)
		p.tools[name], p.names = i, append(p.names, name)
	}
	return i
}

func (p *Peers) kind(name string) int {
	i, ok := p.kinds[name]
	if !ok {
		i = len(p.kinds)
		p.kinds[name], p.within = i, append(p.within, within{})
	}
	return i
}

func (p *Peers) end(c lane, v visit) {
	p.within[c.kind].ss += v.ss
	p.within[c.kind].df += float64(v.n - 1)
	by := p.sums[c]
	if by == nil {
		by = map[int]means{}
		p.sums[c] = by
	}
	m := by[v.n]
	m.n, m.sum, m.square = m.n+1, m.sum+v.mean, m.square+v.mean*v.mean
	by[v.n] = m
}

// A Watch says when a factor is suspicious.
type Watch struct {
	False    float64 // probability of any false suspicion among the tools, such as 0.01
	Anytime  bool    // it holds however often one looks, else for one look
	Expected float64 // the size of drift that Anytime is made sharp for; 0 is 0.04
	Honest   float64 // standard deviation of log factors among tools in order, such as 0.01
	Visits   int     // how many a tool wants before it can be suspected; 0 is 10
}

// A Factor is what a tool reads against its peers: 1.04 is 4 % more than they.
type Factor struct {
	Tool     string
	Visits   int
	Pulls    int
	Factor   float64
	Lower    float64 // 95 % interval
	Upper    float64
	Z        float64 // log factor over its standard uncertainty
	Bound    float64 // of |Z|, for a suspicion; 0 if it cannot be suspected yet
	Sees     float64 // the drift, as a share, that would be suspected now in half of all cases; 0 if none can be yet
	Suspect  bool
	Peers    int    // tools that it is compared with
	Question string // what cannot be told, or why there is no factor
}

// Scatter is the scatter of one kind of joint, as shares of the rate.
type Scatter struct {
	Kind     string
	Joint    float64
	Fastener float64
}

// Estimate gives the factors in the order in which tools first came, and the
// scatter in the order of kinds. Visits still open count as they stand.
func (p *Peers) Estimate(w Watch) ([]Factor, []Scatter, error) {
	if !(w.False > 0 && w.False < 0.5) || w.Honest < 0 || w.Expected < 0 {
		return nil, nil, fmt.Errorf("false suspicion %v, honest spread %v, expected drift %v: want a probability between 0 and 0.5, and no negative spread", w.False, w.Honest, w.Expected)
	}
	e := p.estimator()
	out := e.factors(p.names, w)
	names := make([]string, len(p.kinds))
	for name, i := range p.kinds {
		names[i] = name
	}
	var scatter []Scatter
	for k, s := range e.scatter {
		scatter = append(scatter, Scatter{names[k], math.Sqrt(s.joint), math.Sqrt(s.fastener)})
	}
	return out, scatter, nil
}

type variances struct{ joint, fastener float64 }

type estimator struct {
	tools         int
	scatter       []variances
	visits, pulls []int
	normal        *mat.Dense // of the tools, kinds taken out
	right         []float64
	group         []int // tools joined by kinds in common
}

// closed is a copy of the sums in which open visits have ended.
func (p *Peers) closed() *Peers {
	q := &Peers{tools: p.tools, names: p.names, kinds: p.kinds, within: append([]within(nil), p.within...), sums: map[lane]map[int]means{}}
	for c, by := range p.sums {
		q.sums[c] = map[int]means{}
		for n, m := range by {
			q.sums[c][n] = m
		}
	}
	for _, c := range sortedLanes(p.open) {
		q.end(c, p.open[c])
	}
	return q
}

func sortedLanes[T any](m map[lane]T) []lane {
	all := make([]lane, 0, len(m))
	for c := range m {
		all = append(all, c)
	}
	sort.Slice(all, func(i, j int) bool {
		if all[i].kind != all[j].kind {
			return all[i].kind < all[j].kind
		}
		return all[i].tool < all[j].tool
	})
	return all
}

func sizes(by map[int]means) []int {
	var all []int
	for n := range by {
		all = append(all, n)
	}
	sort.Ints(all)
	return all
}

func (p *Peers) estimator() *estimator {
	q := p.closed()
	t := len(q.names)
	e := &estimator{tools: t, visits: make([]int, t), pulls: make([]int, t), right: make([]float64, t), group: make([]int, t)}
	e.normal = mat.NewDense(max(t, 1), max(t, 1), nil)
	lanes := sortedLanes(q.sums)
	e.scatter = q.scatter(lanes)
	type weighed struct {
		tool int
		w, y float64
	}
	byKind := make([][]weighed, len(q.within))
	for _, c := range lanes {
		v := weighed{tool: c.tool}
		for _, n := range sizes(q.sums[c]) {
			m := q.sums[c][n]
			w := 1 / (e.scatter[c.kind].joint + e.scatter[c.kind].fastener/float64(n) + tiny)
			v.w, v.y = v.w+w*m.n, v.y+w*m.sum
			e.visits[c.tool] += int(m.n)
			e.pulls[c.tool] += n * int(m.n)
		}
		byKind[c.kind] = append(byKind[c.kind], v)
	}
	for i := range e.group {
		e.group[i] = i
	}
	for _, vs := range byKind {
		var w, y float64
		for _, v := range vs {
			w, y = w+v.w, y+v.y
			e.join(v.tool, vs[0].tool)
		}
		for _, a := range vs {
			e.right[a.tool] += a.y - a.w*y/w
			e.normal.Set(a.tool, a.tool, e.normal.At(a.tool, a.tool)+a.w)
			for _, b := range vs {
				e.normal.Set(a.tool, b.tool, e.normal.At(a.tool, b.tool)-a.w*b.w/w)
			}
		}
	}
	return e
}

const tiny = 1e-12 // keeps weights finite where nothing scatters

func (e *estimator) join(a, b int) {
	from, to := e.group[a], e.group[b]
	for i := range e.group {
		if e.group[i] == from {
			e.group[i] = to
		}
	}
}

// scatter splits the variance of each kind: within visits, and between the
// visits of one tool and size beyond what their fasteners make.
func (p *Peers) scatter(lanes []lane) []variances {
	out := make([]variances, len(p.within))
	between := make([]struct{ ss, df, share float64 }, len(p.within))
	for k, w := range p.within {
		if w.df > 0 {
			out[k].fastener = w.ss / w.df
		}
	}
	for _, c := range lanes {
		for _, n := range sizes(p.sums[c]) {
			m, b := p.sums[c][n], &between[c.kind]
			b.ss += max(0, m.square-m.sum*m.sum/m.n)
			b.df += m.n - 1
			b.share += (m.n - 1) / float64(n)
		}
	}
	for k, b := range between {
		if b.df > 0 {
			out[k].joint = max(0, b.ss-out[k].fastener*b.share) / b.df
		}
	}
	return out
}

// factors compares each tool with the plain mean of its peers. The most
// suspicious one is set aside and the others are looked at again without it, so
// that one bad tool does not make its peers look off the other way.
func (e *estimator) factors(names []string, w Watch) []Factor {
	out := make([]Factor, e.tools)
	if e.tools == 0 {
		return out
	}
	inverse, beta := e.solve()
	aside := make([]bool, e.tools)
	for {
		worst := -1
		for t := range out {
			if aside[t] {
				continue
			}
			out[t] = e.against(t, names[t], aside, inverse, beta, w)
			if out[t].Bound > 0 && math.Abs(out[t].Z) > out[t].Bound && (worst < 0 || math.Abs(out[t].Z) > math.Abs(out[worst].Z)) {
				worst = t
			}
		}
		if worst < 0 {
			return out
		}
		out[worst].Suspect, aside[worst] = true, true
		if out[worst].Peers == 1 {
			e.either(out, worst, aside)
		}
	}
}

// either marks both of a pair: two tools cannot say which is off.
func (e *estimator) either(out []Factor, t int, aside []bool) {
	for o := range out {
		if o != t && !aside[o] && e.group[o] == e.group[t] {
			out[o].Suspect, aside[o] = true, true
			out[t].Question = "one of " + out[t].Tool + " and " + out[o].Tool + " is off against the other; two tools cannot say which"
			out[o].Question = out[t].Question
		}
	}
}

// solve inverts the normal equations with the mean of each group held at zero.
func (e *estimator) solve() (*mat.Dense, []float64) {
	n := e.tools
	a := mat.DenseCopyOf(e.normal)
	scale := 0.0
	for i := range n {
		scale = max(scale, a.At(i, i))
	}
	if scale == 0 {
		scale = 1
	}
	for i := range n {
		for j := range n {
			if e.group[i] == e.group[j] {
				a.Set(i, j, a.At(i, j)+scale/float64(n))
			}
		}
	}
	var inverse mat.Dense
	beta := make([]float64, n)
	if err := inverse.Inverse(a); err != nil && inverse.IsEmpty() {
		return mat.NewDense(n, n, nil), beta
	}
	for i := range n {
		for j := range n {
			beta[i] += inverse.At(i, j) * e.right[j]
		}
	}
	return &inverse, beta
}

func (e *estimator) against(t int, name string, aside []bool, inverse *mat.Dense, beta []float64, w Watch) Factor {
	f := Factor{Tool: name, Visits: e.visits[t], Pulls: e.pulls[t], Factor: 1, Lower: 0, Upper: math.Inf(1)}
	weight := make([]float64, e.tools)
	for o := range weight {
		if o != t && !aside[o] && e.group[o] == e.group[t] {
			f.Peers++
		}
	}
	if f.Peers == 0 {
		f.Question = "no other tool worked on like joints"
		return f
	}
	log := beta[t]
	for o := range weight {
		switch {
		case o == t:
			weight[o] = 1
		case !aside[o] && e.group[o] == e.group[t]:
			weight[o] = -1 / float64(f.Peers)
			log += float64(weight[o] * beta[o])
		}
	}
	v := w.Honest * w.Honest * (1 + 1/float64(f.Peers))
	for i := range weight {
		for j := range weight {
			v += float64(weight[i] * weight[j] * inverse.At(i, j))
		}
	}
	s := math.Sqrt(v)
	half := fit.Student(0.975, float64(max(1, f.Visits-1))) * s
	f.Factor, f.Lower, f.Upper = math.Exp(log), math.Exp(log-half), math.Exp(log+half)
	least := w.Visits
	if least == 0 {
		least = 10
	}
	if f.Visits < least {
		f.Question = fmt.Sprintf("%d visits to joints; %d are wanted before it can be suspected", f.Visits, least)
		return f
	}
	f.Z, f.Bound = log/s, w.bound(v, e.tools)
	f.Sees = math.Expm1(f.Bound * s)
	return f
}

// bound is how large |Z| must be. For one look it is the normal quantile of the
// false rate, shared among the tools (Bonferroni). However often one looks, it is
// the bound of a normal mixture: √((1+ρv)·ln((1+1/(ρv))/α²)), with ρ = 1/Expected²
// (Robbins 1970, from memory).
func (w Watch) bound(v float64, tools int) float64 {
	alpha := w.False / float64(tools)
	if !w.Anytime {
		return -unit.Quantile(alpha / 2)
	}
	expected := w.Expected
	if expected == 0 {
		expected = 0.04
	}
	r := v / (expected * expected)
	return math.Sqrt((1 + r) * math.Log((1+1/r)/(alpha*alpha)))
}
