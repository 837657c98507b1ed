package seal

import (
	"context"
	"crypto/sha256"
	"fmt"
	"strings"
	"testing"
	"time"

	"witnessmark/events"
)

// many is a journal of n entries of the usual size, in memory.
type many []events.Written

func (m many) Last() uint64 { return uint64(len(m)) }

func (m many) ReadWritten(_ context.Context, from, to uint64, fn func([]events.Written) error) error {
	for at := from - 1; at < to; at += 256 {
		if err := fn(m[at:min(at+256, to)]); err != nil {
			return err
		}
	}
	return nil
}

// BenchmarkVerify verifies a sealed journal, and in turn hashes the same bytes
// with bare SHA-256; ratio is the verification's speed to that.
func BenchmarkVerify(b *testing.B) {
	const n = 50_000
	m := make(many, n)
	for i := range m {
		m[i] = events.Written{Seq: uint64(i + 1), Source: "device/k2", ID: fmt.Sprint(i + 1), Type: "witnessmark.reading.taken.v2",
			Time: "2026-03-02T08:00:00.000000Z", Data: `{"text":"` + strings.Repeat("x", 600) + `"}`}
	}
	dir := b.TempDir()
	k, err := OpenKey(dir, "fenholt")
	if err != nil {
		b.Fatal(err)
	}
	l, err := OpenLog(dir)
	if err != nil {
		b.Fatal(err)
	}
	if err := m.ReadWritten(b.Context(), 1, n, l.Add); err != nil {
		b.Fatal(err)
	}
	root := l.Root()
	text, err := Checkpoint{Origin("fenholt"), n, root}.Sign(k.Signer)
	if err != nil {
		b.Fatal(err)
	}
	if err := keep(dir, checkpointsFile, events.SealMade{Size: n, Note: text}); err != nil {
		b.Fatal(err)
	}
	if err := l.Close(); err != nil {
		b.Fatal(err)
	}
	var ours, theirs time.Duration
	done := 0
	for b.Loop() {
		start := time.Now()
		r, err := VerifyJournal(b.Context(), m, dir, "fenholt", nil, nil)
		if err != nil || !r.OK() || r.Seals != 1 {
			b.Fatalf("%+v, %v", r, err)
		}
		ours += time.Since(start)
		start = time.Now()
		for i := range m {
			_ = sha256.Sum256([]byte(m[i].Data))
		}
		theirs += time.Since(start)
		done += n
	}
	b.ReportMetric(float64(done)/ours.Seconds(), "events/s")
	b.ReportMetric(float64(theirs)/float64(ours), "ratio")
}
