package seal

import (
	"context"
	"errors"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"

	"witnessmark/events"
)

// Record is the sealed record of one job: every fact that concerned it, what
// was decided on each, the procedure it was done by, and the proof that each
// of these entries is in the tree that the checkpoint signs.
type Record struct {
	Form       int      `json:"witnessmark_record"` // 1
	Shop       string   `json:"shop"`
	Job        string   `json:"job"`
	Keys       []string `json:"public_keys"` // as the shop had them; hold the record against the one that the shop gave you
	Checkpoint string   `json:"checkpoint"`  // a signed note
	Entries    []Proven `json:"entries"`     // in journal order
	// Removed are facts of the job that were removed under the shop's rule before
	// the record was made.
	Removed []Removed `json:"removed,omitempty"`
}

// Proven is an entry with its proof of inclusion, RFC 6962, base64.
type Proven struct {
	events.Written
	Proof []string `json:"proof"`
}

// ErrNoJob means that the journal has no such job.
var ErrNoJob = errors.New("there is no such job in the journal")

// Record makes the sealed record of a job. from is a journal sequence before
// which nothing of the job lies, 1 if that is not known. It seals first, so
// that the newest checkpoint covers all of it.
func (s *Sealer) Record(ctx context.Context, job string, from uint64) (*Record, error) {
	made, err := s.Seal(ctx, WhyAsked, job)
	if err != nil {
		return nil, err
	}
	keys, err := Publics(s.cfg.Dir)
	if err != nil {
		return nil, err
	}
	r := &Record{Form: 1, Shop: s.cfg.Shop, Job: job, Keys: keys, Checkpoint: made.Note}
	g := gatherer{job: job, want: map[uint64]bool{}, alerts: map[string]bool{}}
	if err := s.cfg.Journal.ReadWritten(ctx, from, made.Size, g.look); err != nil {
		return nil, fmt.Errorf("read journal: %w", err)
	}
	if len(g.want) == 0 {
		return nil, fmt.Errorf("%w: %q", ErrNoJob, job)
	}
	first := made.Size
	for seq := range g.want {
		first = min(first, seq)
	}
	if g.procedure != "" {
		if err := s.cfg.Journal.ReadWritten(ctx, 1, first, g.lookProcedure); err != nil && !errors.Is(err, errFound) {
			return nil, fmt.Errorf("read journal: %w", err)
		}
	}
	take := func(ws []events.Written) error {
		for i := range ws {
			if g.want[ws[i].Seq] {
				r.Entries = append(r.Entries, Proven{Written: ws[i]})
			}
		}
		return nil
	}
	for _, span := range [][2]uint64{{g.offered, g.offered}, {g.released, g.released}, {first, made.Size}} {
		if span[0] == 0 {
			continue
		}
		if err := s.cfg.Journal.ReadWritten(ctx, span[0], span[1], take); err != nil {
			return nil, fmt.Errorf("read journal: %w", err)
		}
	}
	if err := s.addRemoved(ctx, r, g.want); err != nil {
		return nil, err
	}
	return r, s.prove(r, made.Size)
}

func (s *Sealer) prove(r *Record, size uint64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range r.Entries {
		p, err := s.log.Prove(size, r.Entries[i].Seq)
		if err != nil {
			return fmt.Errorf("prove entry J%d: %w", r.Entries[i].Seq, err)
		}
		r.Entries[i].Proof = encodeProof(p)
	}
	for i := range r.Removed {
		p, err := s.log.Prove(size, r.Removed[i].Seq)
		if err != nil {
			return fmt.Errorf("prove removed entry J%d: %w", r.Removed[i].Seq, err)
		}
		r.Removed[i].Proof = encodeProof(p)
	}
	return nil
}

// gatherer finds what belongs to a job.
type gatherer struct {
	job       string
	want      map[uint64]bool // sequences of facts and of decisions on them
	alerts    map[string]bool // the job's
	opened    bool
	procedure string // "ID/revision"
	offered   uint64 // where its file lies, if that is before the job
	released  uint64 // where it was released
}

var errFound = errors.New("found")

func (g *gatherer) look(ws []events.Written) error {
	for i := range ws {
		d, ok := decision(&ws[i])
		if !ok || !g.touches(&d) {
			continue
		}
		g.want[d.Cause], g.want[ws[i].Seq] = true, true
	}
	return nil
}

// decision decodes an entry if it is one.
func decision(w *events.Written) (d events.Decided, ok bool) {
	if w.Type != decidedType {
		return d, false
	}
	e, err := events.Decode(w.Type, []byte(w.Data))
	if err != nil {
		return d, false // said by Verify, which reads each entry
	}
	d, ok = e.(events.Decided)
	return d, ok
}

var decidedType = events.TypeName(events.Decided{})

// touches reports whether a decision concerned the job.
func (g *gatherer) touches(d *events.Decided) bool {
	found := false
	for _, o := range d.Outcomes {
		switch o := o.Data.(type) {
		case events.JobOpened:
			if o.Job == g.job {
				g.opened, g.procedure = true, o.Procedure+"/"+o.Revision
			}
		case events.AlertRaised:
			if o.Job == g.job {
				g.alerts[o.Alert] = true
			}
		case events.AlertAcknowledged:
			found = found || g.alerts[o.Alert]
		case events.AlertSettled:
			found = found || g.alerts[o.Alert]
		}
		found = found || g.opened && events.JobOf(o.Data) == g.job
	}
	return found
}

// lookProcedure finds the release of the job's procedure.
func (g *gatherer) lookProcedure(ws []events.Written) error {
	for i := range ws {
		d, ok := decision(&ws[i])
		if !ok {
			continue
		}
		for _, o := range d.Outcomes {
			if p, is := o.Data.(events.ProcedureReleased); is && p.Procedure+"/"+p.Revision == g.procedure {
				g.want[d.Cause], g.want[ws[i].Seq] = true, true
				g.offered, g.released = d.Cause, ws[i].Seq
				return errFound
			}
		}
	}
	return nil
}

func holeHash(seq uint64) tlog.Hash { return tlog.RecordHash(hole(seq)) }
