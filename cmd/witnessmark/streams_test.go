package main

import (
	"bufio"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/ingest/profile"
)

// The simulator builds frames from the protocol notes, the profiles read them,
// and the two share no code. Here they meet: the bytes kept in testdata/streams
// must be read to just the readings that were sent, each once, and every byte
// of damage and noise must show as refused.
func TestKeptStreamsAreReadAsSent(t *testing.T) {
	dirs, err := filepath.Glob("../../testdata/streams/*")
	if err != nil || len(dirs) == 0 {
		t.Fatalf("no kept streams: %v", err)
	}
	for _, dir := range dirs {
		for tool, name := range map[string]string{"k2-07": "orrin-k2", "s5-02": "velm-s5", "t9-04": "tarn-t9"} {
			bytes, err := os.ReadFile(filepath.Join(dir, tool+".bytes"))
			if os.IsNotExist(err) {
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			t.Run(filepath.Base(dir)+"/"+tool, func(t *testing.T) {
				got, refused := readStream(t, name, bytes)
				want := sentReadings(t, filepath.Join(dir, "readings.jsonl"), tool)
				if d := cmp.Diff(want, got); d != "" {
					t.Errorf("readings (-sent +read):\n%s", d)
				}
				if refused == 0 {
					t.Error("nothing was refused, but the stream has damaged bytes")
				}
			})
		}
	}
}

type sentReading struct {
	Text, Unit string
	Counter    uint64
}

// readStream decodes bytes with a shipped profile. A reading that was sent
// again is counted once.
func readStream(t *testing.T, name string, bytes []byte) (got []sentReading, refused int) {
	t.Helper()
	p, err := profile.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	d := p.NewDecoder()
	seen, total, samples := map[uint64]bool{}, 0, 0
	for _, f := range append(d.Push(bytes, events.Instant(1)), d.Flush()...) {
		total += len(f.Bytes)
		switch {
		case f.Reading == nil:
			refused++
		case f.Reading.Kind == profile.Part:
			samples -= f.Reading.Block.Len()
		default:
			samples += f.Reading.Samples
			if seen[*f.Reading.Counter] {
				continue
			}
			seen[*f.Reading.Counter] = true
			got = append(got, sentReading{f.Reading.Text, f.Reading.Unit.Code(), *f.Reading.Counter})
		}
	}
	if total != len(bytes) {
		t.Errorf("%d of %d bytes came back in frames", total, len(bytes))
	}
	if samples != 0 {
		t.Errorf("%d samples of traces did not come", samples)
	}
	return got, refused
}

func sentReadings(t *testing.T, file, tool string) (want []sentReading) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		if !strings.Contains(s.Text(), `"tool"`) {
			continue
		}
		var r struct {
			Tool, Text, Unit string
			Counter          uint64
			Arrives          bool
		}
		if err := json.Unmarshal(s.Bytes(), &r); err != nil {
			t.Fatal(err)
		}
		if r.Tool == tool && r.Arrives {
			want = append(want, sentReading{r.Text, r.Unit, r.Counter})
		}
	}
	return want
}
