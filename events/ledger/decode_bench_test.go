package ledger

import (
	"testing"

	"witnessmark/events"
)

func BenchmarkDecode(b *testing.B) {
	es := pairs(1)
	for i, name := range []string{"reading", "decided"} {
		typ, data, _ := events.Encode(es[i].Data)
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := events.Decode(typ, data); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
