package seal

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"witnessmark/events"
)

// Finding is one thing that is not as it was sealed.
type Finding struct {
	Seq  uint64 `json:"seq,omitempty"` // journal sequence, 0 if it is about none
	Text string `json:"text"`
}

// Result is what a verification found.
type Result struct {
	Findings  []Finding `json:"findings"`               // empty: all is as it was sealed
	Absent    []Finding `json:"files_absent,omitempty"` // certificates' files that are not in the store: never sent, or lost
	Notes     []string  `json:"notes"`                  // what it does not prove, and why
	Entries   int       `json:"entries"`
	Removed   int       `json:"removed,omitempty"` // of the entries: captures that were removed under the shop's rule
	Files     int       `json:"files,omitempty"`   // photos and certificates' files that are whole
	Seals     int       `json:"seals"`
	Kept      int       `json:"kept_elsewhere,omitempty"` // checkpoints kept elsewhere that the journal was held against
	Size      uint64    `json:"size"`                     // entries covered by the newest seal that holds
	Key       string    `json:"key"`
	Job       string    `json:"job,omitempty"`
	Facts     int       `json:"facts,omitempty"` // of a record: facts of the job, by its release
	Released  bool      `json:"released,omitempty"`
	Procedure string    `json:"procedure,omitempty"`
}

func (r *Result) find(seq uint64, format string, args ...any) {
	r.Findings = append(r.Findings, Finding{seq, fmt.Sprintf(format, args...)})
}

// OK reports whether nothing was found, and no file is absent.
func (r *Result) OK() bool { return len(r.Findings)+len(r.Absent) == 0 }

// VerifyRecord checks a sealed record with nothing but keys, verifier keys as
// the shop gave them. It names every entry that was altered, dropped, added or
// put in another place. An error means that it is no record, or that its
// checkpoint is not signed by one of the keys.
func VerifyRecord(rec *Record, keys []string) (*Result, error) {
	if rec.Form != 1 {
		return nil, fmt.Errorf("%w: it is a record of form %d, this program reads form 1; use a newer version", ErrSeal, rec.Form)
	}
	vs, err := Verifiers(keys)
	if err != nil {
		return nil, err
	}
	c, key, err := OpenNote(rec.Checkpoint, vs...)
	if err != nil {
		return nil, err
	}
	r := &Result{Job: rec.Job, Entries: len(rec.Entries), Seals: 1, Size: c.Size, Key: key}
	if c.Origin != Origin(rec.Shop) {
		r.find(0, "the checkpoint is of %q, the record says that it is of shop %q", c.Origin, rec.Shop)
	}
	v := recordCheck{Result: r, rec: rec, c: c, removed: map[uint64]bool{}}
	v.proofs()
	v.gone()
	v.whole()
	return r, nil
}

// recordCheck is the check of one record.
type recordCheck struct {
	*Result
	rec *Record
	c   Checkpoint

	removed map[uint64]bool // facts that were removed under the shop's rule
}

// proofs checks that each entry is in the sealed tree, at its place.
func (v *recordCheck) proofs() {
	last := uint64(0)
	for i := range v.rec.Entries {
		e := &v.rec.Entries[i]
		if e.Seq <= last {
			v.find(e.Seq, "entry J%d (%s) stands after J%d: entries were put in another order, or one is there twice", e.Seq, e.Type, last)
		}
		last = max(last, e.Seq)
		switch p, err := proofOf(e.Proof); {
		case err != nil:
			v.find(e.Seq, "entry J%d (%s): its proof cannot be read: %v", e.Seq, e.Type, err)
		case e.Seq == 0 || e.Seq > v.c.Size:
			v.find(e.Seq, "entry J%d (%s) is not covered by the checkpoint, which ends at J%d: it was added", e.Seq, e.Type, v.c.Size)
		case tlog.CheckRecord(p, int64(v.c.Size), v.c.Root, int64(e.Seq-1), leafHash(&e.Written)) != nil:
			v.find(e.Seq, "entry J%d (%s) is not what was sealed: it was altered, or never was in the journal", e.Seq, e.Type)
		}
	}
}

func proofOf(lines []string) (tlog.RecordProof, error) {
	var p tlog.RecordProof
	for _, s := range lines {
		b, err := base64.StdEncoding.DecodeString(s)
		if err != nil || len(b) != tlog.HashSize {
			return nil, fmt.Errorf("%q is no hash", s)
		}
		p = append(p, tlog.Hash(b))
	}
	return p, nil
}

// whole checks that the record lacks nothing of what its release says, and
// that every fact has its decision.
func (v *recordCheck) whole() {
	have := map[uint64]*Proven{}
	decided := map[uint64]uint64{} // cause to decision
	var facts []uint64
	opened := false
	g := gatherer{job: v.rec.Job, want: map[uint64]bool{}, alerts: map[string]bool{}}
	for i := range v.rec.Entries {
		e := &v.rec.Entries[i]
		have[e.Seq] = e
		d, ok := decision(&e.Written)
		if !ok {
			continue
		}
		g.touches(&d)
		decided[d.Cause] = e.Seq
		for _, o := range d.Outcomes {
			switch o := o.Data.(type) {
			case events.JobOpened:
				if o.Job == v.rec.Job {
					opened, v.Procedure = true, o.Procedure+" revision "+o.Revision
				}
			case events.JobReleased:
				if o.Job == v.rec.Job {
					v.Released, facts = true, append(slices.Clone(o.Facts), d.Cause)
				}
			}
		}
	}
	if !opened {
		v.find(0, "the decision that opened job %q is missing", v.rec.Job)
	}
	v.pairs(have, decided)
	switch {
	case !v.Released:
		v.Notes = append(v.Notes, "The job is not released: that nothing is missing at the end cannot be proven yet.")
		return
	case len(facts) == 1:
		v.Notes = append(v.Notes, "The job was released by a program that did not yet list a job's facts: that none is missing is not proven.")
		return
	}
	v.Facts = len(facts)
	v.listed(facts, have, decided, g.procedure)
}

// pairs checks that each fact has its decision, and each decision its fact.
func (v *recordCheck) pairs(have map[uint64]*Proven, decided map[uint64]uint64) {
	for i := range v.rec.Entries {
		e := &v.rec.Entries[i]
		if e.Type == decidedType {
			if d, ok := decision(&e.Written); ok && have[d.Cause] == nil && !v.removed[d.Cause] {
				v.find(d.Cause, "the fact J%d, on which J%d decides, was dropped", d.Cause, e.Seq)
			}
			continue
		}
		if decided[e.Seq] == 0 && e.Type != removedType {
			v.find(e.Seq, "entry J%d (%s) has no decision in the record: the decision was dropped, or the entry was added", e.Seq, e.Type)
		}
	}
}

// listed holds the entries against the facts that the release lists.
func (v *recordCheck) listed(facts []uint64, have map[uint64]*Proven, decided map[uint64]uint64, procedure string) {
	for _, seq := range facts {
		if have[seq] == nil && decided[seq] == 0 {
			v.find(seq, "the fact J%d and its decision were dropped: the release lists it", seq)
		}
	}
	release := facts[len(facts)-1]
	for i := range v.rec.Entries {
		e := &v.rec.Entries[i]
		if e.Type == decidedType || e.Type == removedType || e.Seq > release || slices.Contains(facts, e.Seq) {
			continue
		}
		if have[decided[e.Seq]] != nil && releases(have[decided[e.Seq]], procedure) {
			continue
		}
		v.find(e.Seq, "entry J%d (%s) was added: the release does not list it", e.Seq, e.Type)
	}
}

// releases reports whether a decision releases a procedure, "ID/revision".
func releases(e *Proven, procedure string) bool {
	d, _ := decision(&e.Written)
	return slices.ContainsFunc(d.Outcomes, func(o events.Outcome) bool {
		p, ok := o.Data.(events.ProcedureReleased)
		return ok && p.Procedure+"/"+p.Revision == procedure
	})
}

// Reader gives the journal's entries as they were written.
type Reader interface {
	ReadWritten(ctx context.Context, from, to uint64, fn func([]events.Written) error) error
	Last() uint64
}

// VerifyJournal holds a whole journal against its seals, kept in dir. keys are
// verifier keys from elsewhere; nil means those in dir, which whoever can
// alter the journal could alter too. progress, which may be nil, is told the
// sequence reached and the last.
func VerifyJournal(ctx context.Context, j Reader, dir, shop string, keys []string, progress func(done, total uint64)) (*Result, error) {
	return VerifyAgainst(ctx, j, dir, shop, keys, "", progress)
}

// VerifyAgainst is VerifyJournal that also holds the journal against the
// checkpoints kept in the directory elsewhere, if it is not "". They show a
// history that was rewritten with the key itself.
func VerifyAgainst(ctx context.Context, j Reader, dir, shop string, keys []string, elsewhere string, progress func(done, total uint64)) (*Result, error) {
	r := &Result{}
	var err error
	if keys == nil {
		if keys, err = Publics(dir); err != nil {
			return nil, fmt.Errorf("%w; name one with --key", err)
		}
		r.Notes = append(r.Notes, "The seals were held against the public key beside the journal. Whoever can alter both could alter it too: hold them against the key that you keep elsewhere.")
	}
	vs, err := Verifiers(keys)
	if err != nil {
		return nil, err
	}
	seals, err := Checkpoints(dir)
	if err != nil {
		return nil, err
	}
	if len(seals) == 0 {
		r.Notes = append(r.Notes, "There is no seal yet: nothing is proven.")
	}
	lost, err := checkpointsIn(dir, lostFile)
	if err != nil {
		return nil, err
	}
	if n := len(lost); n > 0 {
		r.Notes = append(r.Notes, fmt.Sprintf("An end of the journal was lost, and the loss accepted: a seal of %s UTC covered entries up to J%d.", lost[n-1].AtUs.Time().Format("2006-01-02 15:04:05"), lost[n-1].Size))
	}
	log, err := OpenLog(dir)
	if err != nil {
		return nil, err
	}
	defer log.Close()
	gone, err := removalsOf(ctx, j)
	if err != nil {
		return nil, err
	}
	v := journalCheck{Result: r, log: log, gone: gone, shop: shop, last: j.Last(), progress: progress, named: map[string]namedFile{}}
	if elsewhere != "" {
		if v.kept, err = ReadKept(elsewhere, keys); err != nil {
			return nil, err
		}
		own := CheckKept(v.kept, shop)
		r.Findings, r.Notes = append(r.Findings, own.Findings...), append(r.Notes, own.Notes...)
		if len(v.kept) == 0 {
			r.Notes = append(r.Notes, fmt.Sprintf("There is no checkpoint in %s.", elsewhere))
		}
	}
	v.open(seals, vs)
	err = j.ReadWritten(ctx, 1, v.last, v.look)
	if err != nil {
		return nil, fmt.Errorf("read journal: %w", err)
	}
	for v.tree.n < v.last {
		v.missing()
	}
	v.end()
	if store, ok := j.(fileStore); ok {
		err = v.files(ctx, store)
	}
	return r, err
}

// fileStore is what a journal is that has a store of files beside it. Photo is as
// journal.Journal has it.
type fileStore interface {
	Photo(ctx context.Context, hash string) ([]byte, error)
}

// namedFile is a file, and the last entry that names it.
type namedFile struct {
	events.KeptFile
	seq uint64
}

// files reads each file that the journal names, and holds it against its SHA-256
// there. A photo is on disk before the journal names it; a certificate's file is
// sent behind, so one that is absent may never have come.
func (v *journalCheck) files(ctx context.Context, store fileStore) error {
	for _, hash := range slices.Sorted(maps.Keys(v.named)) {
		f := v.named[hash]
		switch _, err := store.Photo(ctx, hash); {
		case err == nil:
			v.Files++
		case errors.Is(err, events.ErrFileAltered):
			v.find(f.seq, "%v, which J%d names, is not what was kept: it was altered or damaged; 'witnessmark mend --from' brings it back from a copy", f, f.seq)
		case errors.Is(err, events.ErrFileMissing) && f.Certificate == "":
			v.find(f.seq, "%v, which J%d names, is gone; 'witnessmark mend --from' brings it back from a copy", f, f.seq)
		case errors.Is(err, events.ErrFileMissing):
			v.Absent = append(v.Absent, Finding{f.seq, fmt.Sprintf("%v, which J%d names, is not in the store: it was never sent, or is lost; 'witnessmark mend --from' brings it back from a copy, 'witnessmark tool paper FILE' sends it", f, f.seq)})
		default:
			return fmt.Errorf("read %v: %w", f, err)
		}
	}
	return nil
}

// journalCheck is the check of a journal.
type journalCheck struct {
	*Result
	log      *Log // as kept: tells which entry differs
	gone     *events.Removals
	still    uint64 // told as removed, and there
	shop     string
	last     uint64
	seals    []sealed
	kept     []Kept // elsewhere, smallest first
	tree     roots
	bad      []uint64             // entries since the last seal that differ from the log
	named    map[string]namedFile // by hash
	progress func(done, total uint64)
}

type sealed struct {
	events.SealMade
	c   Checkpoint
	key string
}

// open reads the seals, and says which do not hold.
func (v *journalCheck) open(seals []events.SealMade, vs []note.Verifier) {
	for _, m := range seals {
		c, key, err := OpenNote(m.Note, vs...)
		at := m.AtUs.Time().Format("2006-01-02 15:04:05")
		switch {
		case err != nil:
			v.find(m.Size, "the seal of %s UTC over J1 to J%d: %v", at, m.Size, err)
		case c.Origin != Origin(v.shop):
			v.find(m.Size, "the seal of %s UTC is of %q, this is the journal of shop %q", at, c.Origin, v.shop)
		case c.Size != m.Size:
			v.find(m.Size, "the seal of %s UTC signs %d entries, the list of seals says %d", at, c.Size, m.Size)
		case len(v.seals) > 0 && c.Size < v.seals[len(v.seals)-1].c.Size:
			v.find(m.Size, "the seal of %s UTC covers fewer entries than one before it", at)
		default:
			v.seals = append(v.seals, sealed{m, c, key})
		}
	}
	if n := len(v.seals); n > 0 && v.seals[n-1].c.Size > v.last {
		v.find(v.seals[n-1].c.Size, "the journal ends at J%d; a seal of %s UTC says that it went to J%d: its end is lost",
			v.last, v.seals[n-1].AtUs.Time().Format("2006-01-02 15:04:05"), v.seals[n-1].c.Size)
	}
}

func (v *journalCheck) look(ws []events.Written) error {
	for i := range ws {
		for v.tree.n+1 < ws[i].Seq {
			v.missing()
		}
		if v.gone.Has(ws[i].Seq) {
			v.still++
		}
		for _, f := range events.FilesOf(&ws[i]) {
			v.named[f.Hash] = namedFile{f, ws[i].Seq}
		}
		v.add(leafHash(&ws[i]), ws[i].Type)
	}
	if v.progress != nil {
		v.progress(v.tree.n, v.last)
	}
	return nil
}

// missing takes a sequence that the journal does not hold.
func (v *journalCheck) missing() {
	seq := v.tree.n + 1
	if leaf, by, ok := v.gone.Leaf(seq); ok {
		if kept, err := v.log.Leaf(seq); err == nil && kept != leaf {
			v.bad = append(v.bad, seq)
			v.find(seq, "entry J%d was removed, as J%d tells, but its leaf there is not what was sealed", seq, by)
		}
		v.Removed++
		v.add(leaf, "")
		return
	}
	h := holeHash(seq)
	if kept, err := v.log.Leaf(seq); err == nil && kept != h {
		v.bad = append(v.bad, seq)
		v.find(seq, "entry J%d is gone", seq)
	}
	v.add(h, "")
}

func (v *journalCheck) add(h tlog.Hash, typ string) {
	seq := v.tree.n + 1
	if kept, err := v.log.Leaf(seq); seq <= v.log.Size() && (err != nil || kept != h) && typ != "" {
		v.bad = append(v.bad, seq)
		v.find(seq, "entry J%d (%s) is not what was sealed", seq, typ)
	}
	v.tree.add(h)
	v.Entries++
	for ; len(v.kept) > 0 && v.kept[0].Size == v.tree.n; v.kept = v.kept[1:] {
		k := &v.kept[0]
		if v.Kept++; k.Root != v.tree.hash() {
			v.find(k.Size, "the entries up to J%d are not those of the checkpoint kept elsewhere (%s, signed by %s): the history was rewritten, or goes on at two places", k.Size, k.Name, k.Key)
		}
	}
	for len(v.seals) > 0 && v.seals[0].c.Size == v.tree.n {
		v.hold(&v.seals[0])
		v.seals = v.seals[1:]
	}
}

// hold compares the root reached with a seal.
func (v *journalCheck) hold(s *sealed) {
	if v.tree.hash() == s.c.Root {
		v.Seals, v.Size, v.Key = v.Seals+1, s.c.Size, s.key
		if len(v.bad) > 0 { // the log was wrong, not the journal
			v.find(0, "the log of seals differs from journal and seal up to J%d: the log itself was altered; delete the file %q beside the seals, it is made again", s.c.Size, hashesFile)
		}
		v.bad = nil
		return
	}
	if len(v.bad) > 0 {
		return // named already
	}
	v.find(s.c.Size, "the entries up to J%d do not give the root that the seal of %s UTC signs: something after J%d was altered, and the log of seals with it",
		s.c.Size, s.AtUs.Time().Format("2006-01-02 15:04:05"), v.Size)
}

func (v *journalCheck) end() {
	if v.Removed > 0 {
		v.Notes = append(v.Notes, fmt.Sprintf("%d of the entries are captures that were removed under the shop's rule; their leaves are as they were sealed, and 'witnessmark retention show' tells where they are archived.", v.Removed))
	}
	if v.still > 0 {
		v.Notes = append(v.Notes, fmt.Sprintf("%d captures were told as removed and are still there: 'witnessmark retention apply' finishes that.", v.still))
	}
	for _, k := range v.kept {
		v.find(k.Size, "a checkpoint kept elsewhere (%s) covers entries up to J%d, the journal ends at J%d: its end is lost, or the shop went on at another place", k.Name, k.Size, v.last)
	}
	if v.last > v.Size && v.OK() {
		v.Notes = append(v.Notes, fmt.Sprintf("Entries J%d to J%d are newer than the newest seal and not yet sealed.", v.Size+1, v.last))
	}
}

// Text writes a result for people.
func (r *Result) Text() string {
	var b strings.Builder
	for _, f := range r.Findings {
		fmt.Fprintf(&b, "NOT AS SEALED: %s\n", f.Text)
	}
	for _, f := range r.Absent {
		fmt.Fprintf(&b, "NOT THERE: %s\n", f.Text)
	}
	for _, n := range r.Notes {
		fmt.Fprintf(&b, "Note: %s\n", n)
	}
	return b.String()
}
