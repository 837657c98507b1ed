package dashboards

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/seal"
)

// Seals is what the pages need of sealing.
type Seals interface {
	Record(ctx context.Context, job string, from uint64) (*seal.Record, error)
	Seal(ctx context.Context, why, job string) (events.SealMade, error)
	Last() events.SealMade
	Public() string
	Trouble() string
}

// sealsView is the page of seals.
type sealsView struct {
	Public  string
	Trouble string
	Seals   []sealLine
}

type sealLine struct {
	Size uint64
	At   string
	Why  string
	Job  string
	Key  string
}

var sealWhys = map[string]string{seal.WhyTime: "its time had come", seal.WhyRelease: "a job was released", seal.WhyAsked: "somebody asked"}

func (p *Pages) noSeals() error {
	return problem(http.StatusNotFound, "Nothing is sealed here.", "Ask the service that keeps the journal.")
}

// seals shows the newest seals and the public key.
func (p *Pages) seals(w http.ResponseWriter, r *http.Request) error {
	if p.cfg.Seals == nil {
		return p.noSeals()
	}
	list, err := p.cfg.Ledger.Seals(r.Context(), 100)
	if err != nil {
		return err
	}
	d := sealsView{Public: p.cfg.Seals.Public(), Trouble: p.cfg.Seals.Trouble()}
	for i := range list {
		s := &list[i]
		d.Seals = append(d.Seals, sealLine{s.Size, clockTime(s.AtUs, p.now()), sealWhys[s.Why], s.Job, s.Key})
	}
	p.render(w, r, http.StatusOK, "seals", "Seals", d)
	return nil
}

// sealedRecord gives the sealed record of a job as a file.
func (p *Pages) sealedRecord(w http.ResponseWriter, r *http.Request) error {
	if p.cfg.Seals == nil {
		return p.noSeals()
	}
	job := r.PathValue("job")
	from, err := p.cfg.Ledger.OpenedAt(r.Context(), job)
	if errors.Is(err, ledger.ErrUnknown) {
		return problem(http.StatusNotFound, "There is no job "+job+".", "Look for it among the jobs.")
	}
	if err != nil {
		return err
	}
	rec, err := p.cfg.Seals.Record(r.Context(), job, from)
	if errors.Is(err, seal.ErrAltered) {
		return problem(http.StatusConflict, sentence(err.Error()), "Run 'witnessmark verify' on the data directory and keep it as it is.")
	}
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Disposition", `attachment; filename="`+job+`.sealed.json"`)
	enc := json.NewEncoder(w)
	enc.SetIndent("", " ")
	_ = enc.Encode(rec) // a client that left
	return nil
}
