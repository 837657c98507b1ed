package events

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Captures are the kinds of fact that retention may remove: what tools sent,
// byte for byte, and nothing that was asked or decided. What they led to is in
// decisions, which stay for ever, and so do a tool's counter gaps and links, of
// which there are few. A value that a person typed is no capture.
var captures = map[string]bool{
	"reading.taken":    true, // with raw bytes, trace or stroke
	"samples.captured": true,
	"force.rising":     true,
	"frame.refused":    true,
	"frame.repeated":   true,
}

// IsCapture reports whether a written type is one that retention may remove.
func IsCapture(typ string) bool {
	name, _, err := splitType(strings.TrimPrefix(typ, TypePrefix))
	return err == nil && captures[name]
}

// KeepsCaptures reports whether an outcome rests on its readings for as long as
// there is the tool: what it is worth, how it was calibrated and checked, what it
// went through.
func KeepsCaptures(o OutcomeData) bool {
	switch o.(type) {
	case CalibrationOpened, CalibrationTaken, CalibrationUndone, CalibrationJudged, CalibrationDropped, CertificateEntered,
		CheckOpened, CheckTaken, CheckJudged, CheckDropped, ReadingPassedOver, CycleOverloaded, ReadingAssigned, ToolAdjusted:
		return true
	}
	return false
}

// CapturesRemoved says that captures were removed from the journal under the
// shop's rule, after they were written to an archive. A removal of many is told
// in several events, each of which stands for itself. Their leaves stay: the
// seals hold for what is gone as for what is there.
type CapturesRemoved struct {
	Removal  string  `json:"removal"` // id, the same in all parts of a removal
	Part     int     `json:"part"`    // from 1
	Parts    int     `json:"parts"`
	By       string  `json:"by"`
	Rule     string  `json:"rule"`              // the shop's rule, in words
	Years    int     `json:"years"`             // that it keeps captures
	BeforeUs Instant `json:"before_us"`         // jobs that ended, and captures of no job that were taken, before this
	Archive  string  `json:"archive_sha256"`    // SHA-256 of the archive's manifest
	Sealed   uint64  `json:"sealed_to"`         // size of the seal in the archive
	Name     string  `json:"archive,omitempty"` // name of the archive, for people

	First   uint64           `json:"first"` // of this part's captures
	Last    uint64           `json:"last"`
	Count   uint64           `json:"count"`
	Bytes   uint64           `json:"bytes"`  // of their JSON
	Runs    []byte           `json:"runs"`   // their sequences, see PackRuns
	Leaves  []byte           `json:"leaves"` // their leaves in the log of seals, 32 bytes each
	Numbers []RemovedNumbers `json:"numbers"`
	Kinds   []RemovedCount   `json:"kinds"`
	Reasons []RemovedCount   `json:"refused,omitempty"` // refused frames, by reason
	Devices []RemovedDevice  `json:"devices,omitempty"`
	Jobs    []RemovedCount   `json:"jobs,omitempty"`
	AtUs    Instant          `json:"at_us"`
}

// EventType implements Data.
func (CapturesRemoved) EventType() (string, int) { return "captures.removed", 1 }

// SourceRetention is the source of CapturesRemoved.
const SourceRetention = "retention"

// RemovedNumbers are numbers of a source, from one to another, all of them removed.
type RemovedNumbers struct {
	Source string `json:"source"`
	From   uint64 `json:"from"`
	To     uint64 `json:"to"`
}

// RemovedCount is how many captures of a kind, or of a job, were removed.
type RemovedCount struct {
	What string `json:"what"`
	N    int64  `json:"n"`
}

// RemovedDevice is what was removed of a device.
type RemovedDevice struct {
	Device      string `json:"device"`
	Readings    int64  `json:"readings,omitempty"`
	Refused     int64  `json:"refused,omitempty"`
	Repeated    int64  `json:"repeated,omitempty"`
	LastReading uint64 `json:"last_reading,omitempty"` // journal sequence
	LastRefused uint64 `json:"last_refused,omitempty"`
}

// SeqRun is a run of journal sequences, both ends included.
type SeqRun struct{ From, To uint64 }

// PackRuns writes sequences, which must grow, as runs: for each run how many
// sequences lie between it and the one before (at first, before it), and how
// many follow its first, as unsigned varints (encoding/binary).
func PackRuns(seqs []uint64) []byte {
	var b []byte
	next := uint64(1) // after the run before
	for i := 0; i < len(seqs); {
		k := i + 1
		for k < len(seqs) && seqs[k] == seqs[k-1]+1 {
			k++
		}
		b = binary.AppendUvarint(b, seqs[i]-next)
		b = binary.AppendUvarint(b, uint64(k-i-1))
		next = seqs[k-1] + 1
		i = k
	}
	return b
}

// SeqRuns reads Runs, and holds them against the other fields.
func (c *CapturesRemoved) SeqRuns() ([]SeqRun, error) {
	var out []SeqRun
	n, next := uint64(0), uint64(1)
	for b := c.Runs; len(b) > 0; {
		gap, k := binary.Uvarint(b)
		if k <= 0 {
			return nil, errRuns
		}
		b = b[k:]
		more, k := binary.Uvarint(b)
		if k <= 0 || gap > 1<<62 || more > 1<<62 || next > 1<<62 {
			return nil, errRuns
		}
		b = b[k:]
		r := SeqRun{next + gap, next + gap + more}
		out, n, next = append(out, r), n+more+1, r.To+1
	}
	if len(out) == 0 || n != c.Count || out[0].From != c.First || out[len(out)-1].To != c.Last || uint64(len(c.Leaves)) != 32*n {
		return nil, errRuns
	}
	return out, nil
}

var errRuns = errors.New("what was removed does not agree with itself")

// Removals are all captures that a journal says were removed. The zero value
// holds none.
type Removals struct {
	runs    []removedRun
	parts   []Entry // without runs and leaves, unless they are kept
	leaves  [][]byte
	numbers map[string][]SeqRun
	count   uint64
	sorted  bool
}

type removedRun struct {
	SeqRun
	part int
	at   int // of the first's leaf, in leaves of the part
}

// Add adds what an entry says, if it is a CapturesRemoved. Without leaves, Leaf
// finds none.
func (r *Removals) Add(e Entry, leaves bool) error {
	c, ok := e.Data.(CapturesRemoved)
	if !ok {
		return nil
	}
	runs, err := c.SeqRuns()
	if err != nil {
		return fmt.Errorf("journal entry %d: %w", e.Seq, err)
	}
	if c.Last >= e.Seq {
		return fmt.Errorf("journal entry %d: it says that J%d was removed, which came after it", e.Seq, c.Last)
	}
	n := uint64(0)
	for _, x := range c.Numbers {
		if !strings.HasPrefix(x.Source, DeviceSource("")) || x.From == 0 || x.To < x.From {
			return fmt.Errorf("journal entry %d: it says that events of %q were removed, which are no captures", e.Seq, x.Source)
		}
		n += x.To - x.From + 1
	}
	if n != c.Count {
		return fmt.Errorf("journal entry %d: %w", e.Seq, errRuns)
	}
	at := 0
	for _, x := range runs {
		r.runs = append(r.runs, removedRun{x, len(r.parts), at})
		at += int(x.To - x.From + 1)
	}
	kept := c.Leaves
	if !leaves {
		kept = nil
	}
	c.Runs, c.Leaves = nil, nil
	e.Data = c
	r.parts, r.leaves = append(r.parts, e), append(r.leaves, kept)
	r.count += c.Count
	if r.numbers == nil {
		r.numbers = map[string][]SeqRun{}
	}
	for _, n := range c.Numbers {
		r.numbers[n.Source] = append(r.numbers[n.Source], SeqRun{n.From, n.To})
	}
	r.sorted = false
	return nil
}

// Sort makes r ready to be asked, by many goroutines at once.
func (r *Removals) Sort() {
	if r == nil || r.sorted {
		return
	}
	slices.SortFunc(r.runs, func(a, b removedRun) int { return cmp.Compare(a.From, b.From) })
	for source, runs := range r.numbers {
		slices.SortFunc(runs, func(a, b SeqRun) int { return cmp.Compare(a.From, b.From) })
		merged := runs[:0]
		for _, x := range runs {
			if n := len(merged); n > 0 && merged[n-1].To+1 >= x.From {
				merged[n-1].To = max(merged[n-1].To, x.To)
				continue
			}
			merged = append(merged, x)
		}
		r.numbers[source] = merged
	}
	r.sorted = true
}

// Count returns how many captures were removed.
func (r *Removals) Count() uint64 {
	if r == nil {
		return 0
	}
	return r.count
}

// Parts returns what was told, in journal order, without runs and leaves.
func (r *Removals) Parts() []Entry {
	if r == nil {
		return nil
	}
	return r.parts
}

func (r *Removals) find(seq uint64) (removedRun, bool) {
	if r == nil {
		return removedRun{}, false
	}
	i, found := slices.BinarySearchFunc(r.runs, seq, func(x removedRun, seq uint64) int { return cmp.Compare(x.From, seq) })
	if !found {
		i--
	}
	if i < 0 || r.runs[i].To < seq {
		return removedRun{}, false
	}
	return r.runs[i], true
}

// Has reports whether a sequence was removed.
func (r *Removals) Has(seq uint64) bool { _, ok := r.find(seq); return ok }

// Leaf returns the leaf of a removed sequence in the log of seals, and the
// sequence of the entry that tells of its removal.
func (r *Removals) Leaf(seq uint64) (leaf [32]byte, by uint64, ok bool) {
	x, ok := r.find(seq)
	if !ok || r.leaves[x.part] == nil {
		return leaf, 0, false
	}
	at := 32 * (x.at + int(seq-x.From))
	return [32]byte(r.leaves[x.part][at : at+32]), r.parts[x.part].Seq, true
}

// Without gives what of a run of sequences was not removed to fn.
func (r *Removals) Without(from, to uint64, fn func(from, to uint64)) {
	if r == nil || len(r.runs) == 0 {
		fn(from, to)
		return
	}
	i, found := slices.BinarySearchFunc(r.runs, from, func(x removedRun, seq uint64) int { return cmp.Compare(x.From, seq) })
	if !found && i > 0 {
		i--
	}
	for ; from <= to; i++ {
		if i == len(r.runs) || r.runs[i].From > to {
			fn(from, to)
			return
		}
		if r.runs[i].To < from {
			continue
		}
		if r.runs[i].From > from {
			fn(from, r.runs[i].From-1)
		}
		from = r.runs[i].To + 1
	}
}

// NumbersWithout is the same for numbers of a source.
func (r *Removals) NumbersWithout(source string, from, to uint64, fn func(from, to uint64)) {
	if r != nil {
		for _, x := range r.numbers[source] {
			if x.To < from || x.From > to {
				continue
			}
			if x.From > from {
				fn(from, x.From-1)
			}
			from = x.To + 1
		}
	}
	if from <= to {
		fn(from, to)
	}
}

// LastNumbers gives the greatest removed number of each source.
func (r *Removals) LastNumbers() map[string]uint64 {
	out := map[string]uint64{}
	if r != nil {
		for source, runs := range r.numbers {
			for _, x := range runs {
				out[source] = max(out[source], x.To)
			}
		}
	}
	return out
}
