package retention

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
	"witnessmark/events/seal"
)

// Shop says where a stopped shop lies.
type Shop struct {
	ID      string
	Journal journal.Config // of its embedded server
	Seals   string         // directory
	Ledger  string         // file
}

// Applying says what to remove.
type Applying struct {
	Shop
	Archive string // directory that Archive made
	Rule    Rule   // in force now
	By      string // person
	Now     func() time.Time
	Log     *slog.Logger
	// Step, which may be nil, is told each point at which a kill must do no harm.
	Step func(what string)
}

// Applied tells what came of it.
type Applied struct {
	Archived
	Told     uint64 // captures that were told as removed in this run; the others were before
	Thinned  journal.Thinned
	Verified seal.Result // the whole journal against its seals, afterwards
}

// perPart is how many captures one event tells of: about 100 kB.
const perPart = 2048

// Apply removes what an archive holds from a stopped shop's journal:
//
//  1. the archive is read whole and held against the shop's public key, the
//     journal against its newest seal, and each archived entry against the plan as
//     it would be made now: a recall opened meanwhile keeps what it needs
//  2. what goes is told in the journal, and that is sealed
//  3. the ledger takes it in
//  4. the store is written anew without it, read back, and put in place
//  5. the whole journal is held against its seals
//
// Killed at any moment it leaves a whole journal, from which what was told is gone
// or not yet; called again, it finishes.
func Apply(ctx context.Context, a Applying) (*Applied, error) {
	if a.Step == nil {
		a.Step = func(string) {}
	}
	if a.Now == nil {
		a.Now = time.Now
	}
	if a.Journal.URL != "" || a.Journal.Uplink != nil || a.Journal.Shared {
		return nil, errors.New("remove captures: only the journal of a shop's own embedded server can be thinned out; not one at a NATS server, nor a bench box's")
	}
	keys, err := seal.Publics(a.Seals)
	if err != nil {
		return nil, err
	}
	arch, err := Check(ctx, a.Archive, keys)
	if err != nil {
		return nil, err
	}
	if arch.Shop != a.ID {
		return nil, fmt.Errorf("%w: %s is of shop %q, not of %q", ErrArchive, a.Archive, arch.Shop, a.ID)
	}
	a.Step("archive checked")
	out := &Applied{Archived: *arch}
	if err := a.tell(ctx, out); err != nil {
		return nil, err
	}
	prover, err := seal.OpenProver(a.Seals)
	if err != nil {
		return nil, err
	}
	thinned, err := journal.Thin(ctx, journal.ThinConfig{Shop: a.ID, Dir: a.Journal.Dir, Prove: func(w *events.Written) journal.Proof { return proof(prover, w) }, Log: a.Log, Step: a.Step})
	if err = errors.Join(err, prover.Close()); err != nil {
		return nil, err
	}
	out.Thinned = *thinned
	j, err := journal.Open(ctx, a.Journal)
	if err != nil {
		return nil, err
	}
	r, err := seal.VerifyJournal(ctx, j, a.Seals, a.ID, nil, nil)
	if err = errors.Join(err, j.Close()); err != nil {
		return nil, err
	}
	out.Verified = *r
	a.Step("verified")
	return out, nil
}

func proof(p *seal.Prover, w *events.Written) journal.Proof {
	switch covered, same, sealed := p.Holds(w); {
	case !covered:
		return journal.ProofNone
	case !same:
		return journal.ProofAgainst
	case sealed:
		return journal.ProofSealed
	}
	return journal.ProofLogged
}

// tell puts into the journal what is to be removed, as far as it does not say so
// yet, seals that, and lets the ledger take it in.
func (a *Applying) tell(ctx context.Context, out *Applied) (err error) {
	j, err := journal.Open(ctx, a.Journal)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	if out.Journal != j.Identity() {
		return fmt.Errorf("%w: %s is of another journal than %s", ErrArchive, a.Archive, a.Shop.Journal.Dir)
	}
	sealer, err := seal.New(ctx, seal.Config{Journal: j, Dir: a.Seals, Shop: a.ID, Log: a.Log, Now: a.Now})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, sealer.Close()) }()
	if err := sealer.Hold(ctx); err != nil {
		return err
	}
	if t := sealer.Trouble(); t != "" {
		return fmt.Errorf("nothing was removed: %s", t)
	}
	told, err := j.Removals(ctx)
	if err != nil {
		return err
	}
	// A cut-short run may have told a part. The rest must still be free to go.
	plan, err := Make(ctx, j, a.Rule, out.Sealed, a.Now())
	if err != nil {
		return err
	}
	if h := j.Holes(); len(h) > 0 {
		return fmt.Errorf("%w: %s", journal.ErrNotWhole, h[0])
	}
	free := map[uint64]*Capture{}
	for i := range plan.Remove {
		free[plan.Remove[i].Seq] = &plan.Remove[i]
	}
	jobs := map[uint64][]string{}
	for seq, c := range free {
		for _, i := range c.jobs {
			jobs[seq] = append(jobs[seq], plan.names[i])
		}
	}
	var rest []events.Written
	err = out.Each(ctx, func(w *events.Written) error {
		switch {
		case told.Has(w.Seq):
		case free[w.Seq] == nil:
			return fmt.Errorf("entry J%d is in the archive %s, but may not go now: a recall, the shop's rule or its clock keeps it; make a new archive, nothing was removed", w.Seq, a.Archive)
		default:
			rest = append(rest, *w)
		}
		return nil
	})
	if err != nil {
		return err
	}
	parts, err := a.parts(out, rest, jobs)
	if err != nil {
		return err
	}
	for i := range parts {
		e := events.Event{Source: events.SourceRetention, Time: parts[i].AtUs, Data: parts[i]}
		if _, err := j.Append(ctx, e); err != nil {
			return fmt.Errorf("tell what is removed: %w", err)
		}
		if i == 0 {
			a.Step("first part told")
		}
	}
	out.Told = uint64(len(rest))
	a.Step("told")
	if _, err := sealer.Seal(ctx, seal.WhyAsked, ""); err != nil {
		return err
	}
	a.Step("sealed")
	if err := a.ledgerUp(ctx, j); err != nil {
		return err
	}
	a.Step("ledger brought up")
	return nil
}

// ledgerUp brings the ledger up to the journal before anything is gone from it. A
// ledger that is not there, or of another form, is made anew by the next start.
func (a *Applying) ledgerUp(ctx context.Context, j *journal.Journal) (err error) {
	if _, err := os.Stat(a.Ledger); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	l, err := ledger.Open(ctx, ledger.Config{Path: a.Ledger, Log: a.Log})
	if err == nil {
		if err = l.Agree(ctx, j); err == nil {
			err = j.Read(ctx, l.Position()+1, 0, func(es []events.Entry) error { return l.Apply(ctx, es) })
		}
		err = errors.Join(err, l.Close())
	}
	if errors.Is(err, ledger.ErrSchema) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("bring the ledger up to the journal: %w", err)
	}
	return nil
}

// parts makes what tells of the removal of entries.
func (a *Applying) parts(arch *Applied, ws []events.Written, jobs map[uint64][]string) (out []events.CapturesRemoved, err error) {
	b := make([]byte, 8)
	rand.Read(b) // never fails
	id, at := hex.EncodeToString(b), events.InstantOf(a.Now())
	n := (len(ws) + perPart - 1) / perPart
	for i := range n {
		some := ws[i*perPart : min((i+1)*perPart, len(ws))]
		c := events.CapturesRemoved{Removal: id, Part: i + 1, Parts: n, By: a.By, Rule: a.Rule.String(), Years: a.Rule.Years, BeforeUs: arch.BeforeUs,
			Archive: arch.Sum, Sealed: arch.Sealed, Name: filepath.Base(filepath.Clean(a.Archive)), AtUs: at, First: some[0].Seq, Last: some[len(some)-1].Seq, Count: uint64(len(some))}
		t := tallies{kinds: map[string]int64{}, reasons: map[string]int64{}, jobs: map[string]int64{}, devices: map[string]*events.RemovedDevice{}, numbers: map[string][]uint64{}}
		var seqs []uint64
		for k := range some {
			w := &some[k]
			seqs = append(seqs, w.Seq)
			c.Bytes += uint64(len(w.Data))
			c.Leaves = append(c.Leaves, arch.Leaf(w.Seq)...)
			if err := t.add(w, jobs[w.Seq]); err != nil {
				return nil, err
			}
		}
		c.Runs = events.PackRuns(seqs)
		t.into(&c)
		if _, err := c.SeqRuns(); err != nil {
			return nil, err
		}
		out = append(out, c)
	}
	return out, nil
}

// tallies count what goes, as the ledger counts.
type tallies struct {
	kinds, reasons, jobs map[string]int64
	devices              map[string]*events.RemovedDevice
	numbers              map[string][]uint64
}

func (t *tallies) add(w *events.Written, jobs []string) error {
	d, err := events.Decode(w.Type, []byte(w.Data))
	if err != nil {
		return fmt.Errorf("entry J%d: %w", w.Seq, err)
	}
	name, _ := d.EventType()
	t.kinds[name]++
	for _, j := range jobs {
		t.jobs[j]++
	}
	var n uint64
	if _, err := fmt.Sscan(w.ID, &n); err != nil {
		return fmt.Errorf("entry J%d has the id %q: want a number", w.Seq, w.ID)
	}
	t.numbers[w.Source] = append(t.numbers[w.Source], n)
	id := ""
	switch d := d.(type) {
	case events.ReadingTaken:
		id = d.Device
	case events.FrameRefused:
		id = d.Device
	case events.FrameRepeated:
		id = d.Device
	default:
		return nil
	}
	x := t.devices[id]
	if x == nil {
		x = &events.RemovedDevice{Device: id}
		t.devices[id] = x
	}
	switch d := d.(type) {
	case events.ReadingTaken:
		x.Readings++
		x.LastReading = w.Seq
	case events.FrameRefused:
		x.Refused++
		x.LastRefused = w.Seq
		t.reasons[d.Reason]++
	case events.FrameRepeated:
		x.Repeated++
	}
	return nil
}

func (t *tallies) into(c *events.CapturesRemoved) {
	counts := func(m map[string]int64) (out []events.RemovedCount) {
		for _, k := range slices.Sorted(maps.Keys(m)) {
			out = append(out, events.RemovedCount{What: k, N: m[k]})
		}
		return out
	}
	c.Kinds, c.Reasons, c.Jobs = counts(t.kinds), counts(t.reasons), counts(t.jobs)
	for _, id := range slices.Sorted(maps.Keys(t.devices)) {
		c.Devices = append(c.Devices, *t.devices[id])
	}
	for _, source := range slices.Sorted(maps.Keys(t.numbers)) {
		ns := t.numbers[source]
		slices.SortFunc(ns, cmp.Compare[uint64])
		for i, n := range ns {
			if k := len(c.Numbers); i > 0 && c.Numbers[k-1].To == n-1 {
				c.Numbers[k-1].To = n
				continue
			}
			c.Numbers = append(c.Numbers, events.RemovedNumbers{Source: source, From: n, To: n})
		}
	}
}

// May reports an error unless a person may remove captures: an owner.
func May(people []events.Person, by string) error {
	i := slices.IndexFunc(people, func(p events.Person) bool { return p.ID == by })
	switch {
	case by == "":
		return errors.New("say who removes captures: --by PERSON, an owner of the shop file")
	case i < 0:
		return fmt.Errorf("the shop file has no person %q", by)
	case people[i].Role != events.RoleOwner:
		return fmt.Errorf("%s is %s: only an owner may remove captures; %s", by, people[i].Role, owners(people))
	}
	return nil
}

func owners(people []events.Person) string {
	var ids []string
	for _, p := range people {
		if p.Role == events.RoleOwner {
			ids = append(ids, p.ID)
		}
	}
	if len(ids) == 0 {
		return "the shop file names none: give one person the role owner"
	}
	return "that is " + strings.Join(ids, " or ")
}
