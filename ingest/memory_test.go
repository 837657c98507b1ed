package ingest

import (
	"context"
	"math"
	"testing"
)

func nan() float64 { return math.NaN() }

func withCancel(t *testing.T) (context.Context, context.CancelFunc) {
	return context.WithCancel(t.Context())
}

func TestCounterGaps(t *testing.T) {
	tests := []struct {
		name           string
		modulus        uint64
		last, next     uint64
		found, restart bool
	}{
		{"next", 10000, 41, 42, false, false},
		{"one lost", 10000, 41, 43, true, false},
		{"round the corner", 10000, 9999, 0, false, false},
		{"lost round the corner", 10000, 9998, 2, true, false},
		{"battery changed", 10000, 6000, 0, true, true},
		{"stands still", 10000, 41, 41, true, true},
		{"goes back one", 10000, 41, 40, true, true},
		{"counter beyond its modulus", 100, 99, 150, true, false},
		{"back from beyond", 100, 150, 3, true, true},
		{"no modulus, next", 0, 41, 42, false, false},
		{"no modulus, back", 0, 41, 3, true, true},
		{"no modulus, ahead", 0, 41, 50, true, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m := memory{modulus: tt.modulus}
			if found, _ := m.gap(tt.next); found {
				t.Error("a gap before the first reading")
			}
			m.add(tt.last, nil, 1)
			found, restart := m.gap(tt.next)
			if found != tt.found || restart != tt.restart {
				t.Errorf("gap %v, restart %v; want %v, %v", found, restart, tt.found, tt.restart)
			}
		})
	}
}

func TestRepeats(t *testing.T) {
	m := memory{resends: true, modulus: 1000}
	for i := range uint64(100) {
		m.add(i, []byte{byte(i)}, i+1)
	}
	tests := []struct {
		name    string
		counter uint64
		bytes   byte
		resends bool
		number  uint64
		ok      bool
	}{
		{"newest", 99, 99, true, 100, true},
		{"older", 50, 50, true, 51, true},
		{"long ago", 3, 3, true, 0, false},
		{"same counter, other bytes", 99, 1, true, 0, false},
		{"same bytes, other counter", 100, 99, true, 0, false},
		{"newest of a tool that does not resend", 99, 99, false, 100, true},
		{"older of a tool that does not resend", 98, 98, false, 0, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m.resends = tt.resends
			number, ok := m.repeats(tt.counter, []byte{tt.bytes})
			if number != tt.number || ok != tt.ok {
				t.Errorf("got %d %v, want %d %v", number, ok, tt.number, tt.ok)
			}
		})
	}
}
