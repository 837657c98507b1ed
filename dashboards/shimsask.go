package dashboards

import (
	"net/http"
	"strconv"

	"witnessmark/events"
	"witnessmark/rules"
)

// shimRequests make the events that the pages about shims ask with.
var shimRequests = map[string]func(f form, a events.Ask) events.Data{
	"shimfound": func(f form, a events.Ask) events.Data {
		return events.ShimFoundAsked{Ask: a, Job: f.job(), Step: f.step(), Left: f.stack("left"), Right: f.stack("right")}
	},
	"shimfit": func(f form, a events.Ask) events.Data {
		return events.ShimFitAsked{Ask: a, Job: f.job(), Step: f.step(), Left: f.stack("left"), Right: f.stack("right"), Reason: f.maybeReason()}
	},
	"shimstock": func(f form, a events.Ask) events.Data {
		d := events.ShimStockAsked{Ask: a, Drawer: f.need("drawer", "The drawer is missing: go back to the shims."),
			Change: f.need("choice", "Say what happened: came in, counted, or taken out."), Reason: f.maybeReason()}
		piece, err := events.ParseShim(f.need("piece", "Write the thickness with its unit, such as 0.55 mm."))
		if err != nil && f.get("piece") != "" {
			*f.missing = append(*f.missing, unread(err))
		}
		d.Piece = piece
		if d.Piece.Count, err = strconv.Atoi(f.need("count", "Write how many.")); err != nil && f.get("count") != "" {
			*f.missing = append(*f.missing, "How many must be a whole number.")
		}
		return d
	},
}

// stack reads the pieces of a field; nil where the form has none.
func (f form) stack(name string) []events.ShimPiece {
	if !f.values.Has(name) {
		return nil
	}
	pieces, err := events.ParseShimStack(f.get(name))
	if err != nil {
		*f.missing = append(*f.missing, unread(err))
	}
	return pieces
}

// maybeReason is reason where it may be left out.
func (f form) maybeReason() string {
	if f.get("reason") == "" && f.get("words") == "" {
		return ""
	}
	return f.reason()
}

// stackAsk is a stack that is asked for.
type stackAsk struct {
	Name, Label, Value string
}

func shimAsk(v viewer, job *rules.Job, a *askView) (*rules.ShimState, error) {
	cur, _, _ := v.current(job)
	if a.Step == "" && cur >= 0 {
		a.Step = job.Proc.Steps[cur].ID
	}
	spec, i := job.Proc.Step(a.Step)
	if i < 0 || spec.Shim == nil || i != cur {
		return nil, &pageProblem{Status: http.StatusConflict, Text: "The step that is being worked on takes no shims.", Todo: "Go on with the step.", Back: a.Back, Name: "Back to the bench"}
	}
	a.Stacks = []stackAsk{{"left", "Pieces, with their unit and + between", ""}}
	if s := spec.Shim.Sides; s != nil {
		a.Stacks = []stackAsk{{"left", "Pieces on the " + s.Left, ""}, {"right", "Pieces on the " + s.Right, ""}}
	}
	if st := job.Steps[i].Shim; st != nil {
		return st, nil
	}
	return &rules.ShimState{}, nil
}

func (a *askView) fill(left, right []events.ShimPiece) {
	for i, list := range [][]events.ShimPiece{left, right} {
		if i < len(a.Stacks) {
			a.Stacks[i].Value = events.ShimStackText(list)
		}
	}
}

func askShimFound(_ *Pages, _ *http.Request, v viewer, job *rules.Job, a *askView) error {
	st, err := shimAsk(v, job, a)
	if err != nil {
		return err
	}
	a.Title, a.Button = "Which shims are in place?", "These are in place"
	a.Lead = "Take them out, wipe them, measure each. Write what you measured behind =, such as 1.00 mm = 1.003 mm + 0.10 mm."
	if st.Found != nil {
		a.fill(st.Found.Left, st.Found.Right)
	}
	return nil
}

func askShimFit(_ *Pages, _ *http.Request, v viewer, job *rules.Job, a *askView) error {
	st, err := shimAsk(v, job, a)
	if err != nil {
		return err
	}
	a.Title, a.Button = "Which shims went in?", "These are in"
	a.Lead = "Write the pieces that are in. A piece that you measured: 0.55 mm = 0.553 mm. Other ones than proposed need a reason."
	if p := st.Proposed; p != nil {
		a.fill(p.Left, p.Right)
		a.Shown = p.Text
	}
	a.Reasons = []string{"The proposed piece is damaged", "The drawer did not have it", "The pieces measured otherwise", "The cause was found"}
	a.Words = "Other words"
	return nil
}
