package seal

import (
	"math/rand/v2"
	"slices"
	"testing"

	"witnessmark/events"
)

// TestEveryChangeOfACopyIsNoticed flips a letter of, or removes, every entry of
// a copy in turn: with nothing but the copy and the shop's public key, each
// shows.
func TestEveryChangeOfACopyIsNoticed(t *testing.T) {
	s := newShop(t)
	s.work()
	x := s.sealer()
	sealed := s.j.Last()
	if _, err := x.Seal(t.Context(), WhyAsked, ""); err != nil {
		t.Fatal(err)
	}
	keys := []string{x.Public()}
	if r, err := VerifyCopy(t.Context(), s.j, "fenholt", keys, nil); err != nil || !r.OK() || r.Seals != 1 || r.Size != sealed {
		t.Fatalf("a whole copy: %+v, %v", r, err)
	}
	if _, err := VerifyCopy(t.Context(), s.j, "fenholt", nil, nil); err == nil {
		t.Error("a copy was verified without a key")
	}
	if r, err := VerifyCopy(t.Context(), s.j, "other", keys, nil); err != nil || r.OK() {
		t.Errorf("as the copy of another shop: %+v, %v", r, err)
	}
	rnd := rand.New(rand.NewPCG(7, 8))
	for seq := uint64(1); seq <= sealed; seq++ {
		flip := tampered{Memory: s.j, change: func(ws []events.Written) []events.Written {
			for i := range ws {
				if ws[i].Seq == seq {
					b := []byte(ws[i].Data)
					b[rnd.IntN(len(b))] ^= 1 << rnd.IntN(7)
					ws[i].Data = string(b)
				}
			}
			return ws
		}}
		drop := tampered{Memory: s.j, change: func(ws []events.Written) []events.Written {
			return slices.DeleteFunc(ws, func(w events.Written) bool { return w.Seq == seq })
		}}
		for name, j := range map[string]Reader{"flipped": flip, "dropped": drop} {
			if r, err := VerifyCopy(t.Context(), j, "fenholt", keys, nil); err != nil || r.OK() || r.Seals != 0 {
				t.Errorf("J%d %s: %+v, %v", seq, name, r, err)
			}
		}
	}
}
