package drift

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
)

// shopOf makes n pulls of invented tools on joints of two kinds; tool W1 reads
// 4 % high.
func shopOf(p *Peers, n int, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 2))
	for i := 0; i < n; {
		kind, tool := r.IntN(2), r.IntN(4)
		joint := math.Exp(0.03 * r.NormFloat64())
		for range 8 {
			rate := joint * math.Exp(0.05*r.NormFloat64())
			if tool == 1 {
				rate *= 1.04
			}
			p.Add(Pull{Kind: fmt.Sprint("k", kind), Joint: fmt.Sprint(seed, i), Tool: fmt.Sprint("W", tool), Rate: rate})
			i++
		}
	}
}

// TestPeersAreTheirOwnSnapshot: sums that went through JSON, and a clone, go on
// as the others do.
func TestPeersAreTheirOwnSnapshot(t *testing.T) {
	a := NewPeers()
	shopOf(a, 2000, 1)
	text, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	b := NewPeers()
	if err := json.Unmarshal(text, b); err != nil {
		t.Fatal(err)
	}
	c := a.Clone()
	before, _ := json.Marshal(c)
	shopOf(a, 500, 2)
	shopOf(b, 500, 2)
	if !reflect.DeepEqual(a, b) {
		t.Error("sums from a snapshot went another way")
	}
	if after, _ := json.Marshal(c); string(after) != string(before) {
		t.Error("a clone shows a later change")
	}
	for _, bad := range []string{`{"tools":["a"],"sums":[{"k":0,"t":0}]}`, `{"tools":["a","a"]}`, `{"other":1}`, `{"kinds":["x"]}`} {
		if err := json.Unmarshal([]byte(bad), NewPeers()); err == nil {
			t.Errorf("took %s", bad)
		}
	}
}

// TestDrop: without a tool the others' factors are as if it had never been.
func TestDrop(t *testing.T) {
	all, without := NewPeers(), NewPeers()
	r := rand.New(rand.NewPCG(3, 3))
	for i := range 4000 {
		p := Pull{Kind: "k", Joint: fmt.Sprint(i / 8), Tool: fmt.Sprint("W", i/8%4), Rate: math.Exp(0.05 * r.NormFloat64())}
		all.Add(p)
		if p.Tool != "W1" {
			without.Add(p)
		}
	}
	all.Drop("W1")
	all.Drop("never there")
	w := Watch{False: 0.01, Anytime: true, Honest: 0.01}
	fa, _, err := all.Estimate(w)
	fb, _, err2 := without.Estimate(w)
	if err != nil || err2 != nil || len(fa) != 3 {
		t.Fatal(err, err2, len(fa))
	}
	for i := range fa {
		// The scatter within visits keeps what W1's pulls told of the kind.
		if fa[i].Tool != fb[i].Tool || math.Abs(fa[i].Factor-fb[i].Factor) > 1e-3 || fa[i].Pulls != fb[i].Pulls {
			t.Errorf("%+v, want %+v", fa[i], fb[i])
		}
	}
}
