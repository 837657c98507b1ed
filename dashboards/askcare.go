package dashboards

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
)

// careRequests are the requests about tools that the bench page makes.
var careRequests = map[string]func(f form, a events.Ask) events.Data{
	"override": func(f form, a events.Ask) events.Data {
		return events.OverrideAsked{Ask: a, Job: f.job(), Tool: f.need("tool", "The tool is missing: go back to the bench."), Reason: f.reason()}
	},
	"check": func(f form, a events.Ask) events.Data {
		d := events.CheckAsked{Ask: a, Tool: f.need("tool", "Choose a tool."), Reference: f.need("reference", "Choose a reference.")}
		d.Point, _ = f.value("point")
		return d
	},
	"calibrate": func(f form, a events.Ask) events.Data {
		d := events.CalibrationAsked{Ask: a, Tool: f.need("tool", "Choose a tool."), Reference: f.need("reference", "Choose a reference."),
			Phase: events.Phase(f.need("choice", "Say whether it is as found or as left.")), Rule: f.get("rule")}
		if f.get("both") != "" {
			d.Directions = []string{"cw", "ccw"}
		}
		return d
	},
	"pair": func(f form, a events.Ask) events.Data {
		d := events.CalibrationPairAsked{Ask: a}
		d.Tool, d.ToolUnit = f.value("tool_value")
		d.Reference, d.ReferenceUnit = f.value("reference_value")
		return d
	},
	"calundo": func(_ form, a events.Ask) events.Data { return events.CalibrationUndoAsked{Ask: a} },
	"caredrop": func(f form, a events.Ask) events.Data {
		if f.get("choice") == "check" {
			return events.CheckDropAsked{Ask: a, Reason: f.reason()}
		}
		return events.CalibrationDropAsked{Ask: a, Reason: f.reason()}
	},
	"calclose": func(f form, a events.Ask) events.Data {
		return events.CalibrationCloseAsked{Ask: a, Note: f.get("words"), Reproducibility: f.percent("reproducibility"), Interface: f.percent("interface"),
			OutputDrive: f.percent("output_drive"), LeverLength: f.percent("lever_length")}
	},
}

// value reads an optional value with its unit.
func (f form) value(name string) (quantity.Value, string) {
	s := f.get(name)
	if s == "" {
		return quantity.Value{}, ""
	}
	v, u, err := quantity.Parse(s)
	if err != nil {
		*f.missing = append(*f.missing, err.Error()+".")
	}
	return v, u.Code()
}

// percent reads an optional figure in %.
func (f form) percent(name string) float64 {
	s := strings.TrimSpace(strings.TrimSuffix(f.get(name), "%"))
	if s == "" {
		return 0
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		*f.missing = append(*f.missing, fmt.Sprintf("%q is no figure in %%.", s))
	}
	return x
}

// careAsk is what the forms about tools need beside the rest.
type careAsk struct {
	References  []choice
	Values      bool // the two values of a pair
	Reference   string
	Tool        string
	Point       bool
	Rules       []choice
	Both        bool // both directions can be asked for
	Influences  bool
	Placeholder string
}

func askOverride(_ *Pages, r *http.Request, v viewer, job *rules.Job, a *askView) error {
	a.Title, a.Button, a.Grave = "Let a refused tool be used for this job", "It may be used for this job", true
	a.Lead = "This is a deviation: it stays in the record of the job, with your name and the reason."
	tool := r.FormValue("tool")
	for _, f := range v.refusedTools(job) {
		if f.Override {
			a.Tools = append(a.Tools, choice{f.Tool, f.Name, f.Why, f.Tool == tool})
		}
	}
	if len(a.Tools) == 0 {
		return &pageProblem{Status: http.StatusConflict, Text: "No tool is refused here now.", Todo: "Go on with the work.", Back: a.Back, Name: "Back to the bench"}
	}
	a.Reasons = []string{"No other tool here has the range", "The certificate is here, and not entered yet"}
	a.Words = "Other words"
	a.By = leads(v, person(r))
	return nil
}

// careTools lists the tools that can be calibrated or checked, those of the
// bench first, and the references.
func (v viewer) careTools(a *askView, fits func(*events.Tool) bool) {
	here := map[string]bool{}
	for _, d := range v.st.Shop.Devices {
		if d.Bench == a.Bench.ID {
			here[d.Tool] = true
		}
	}
	for _, local := range []bool{true, false} {
		for i := range v.st.Shop.Tools {
			t := &v.st.Shop.Tools[i]
			n := v.st.Tools[t.ID]
			if n == nil || here[t.ID] != local || n.State == events.ToolRetired || n.State == events.ToolAway {
				continue
			}
			if t.Reference {
				a.Care.References = append(a.Care.References, choice{t.ID, v.toolName(t.ID), "certificate " + t.Certificate + ", due " + dueDay(n.Due), len(a.Care.References) == 0})
			} else if fits(t) {
				a.Tools = append(a.Tools, choice{t.ID, v.toolName(t.ID), "due " + dueDay(n.Due), false})
			}
		}
	}
}

func askCheck(_ *Pages, _ *http.Request, v viewer, _ *rules.Job, a *askView) error {
	a.Title, a.Button = "Quick check of a tool", "Begin: three pulls"
	a.Lead = "Two minutes at the start of a shift: three pulls on the bench tester, compared with what is permitted and with the tool's own earlier checks. While it is open, its readings go into no job."
	a.Care = &careAsk{Point: true, Placeholder: "as last time"}
	v.careTools(a, func(t *events.Tool) bool { return t.Kind == events.ToolTorqueWrench })
	return nil
}

func askCalibrate(_ *Pages, _ *http.Request, v viewer, _ *rules.Job, a *askView) error {
	a.Title, a.Button = "Calibrate a tool", "Begin"
	a.Lead = "The page leads through preloads, points and readings. While it is open, readings of the two tools at this bench go into it and into no job."
	a.Method = "Before or after an adjustment"
	a.Choices = []choice{{string(events.PhaseFound), "As found", "as it came from work: tells what its readings were worth", true},
		{string(events.PhaseLeft), "As left", "after it was adjusted: tells what they will be worth", false}}
	a.Care = &careAsk{Both: true, Rules: []choice{{"guard", "Guard band w = U", "accept inside the limit by the uncertainty", true},
		{"simple", "Simple acceptance", "accept inside the limit", false}, {"p=0.98", "Probability of conformity at least 98 %", "", false}}}
	v.careTools(a, func(t *events.Tool) bool { return t.Most.Dimension() != quantity.DimForce })
	return nil
}

func (v viewer) openCare(a *askView) (rules.Pairing, error) {
	p, ok := v.st.PairingAt(a.Bench.ID)
	if !ok {
		return p, &pageProblem{Status: http.StatusConflict, Text: "No calibration or check is open at this bench.", Todo: "Begin one.", Back: a.Back, Name: "Back to the bench"}
	}
	return p, nil
}

func askPair(_ *Pages, _ *http.Request, v viewer, _ *rules.Job, a *askView) error {
	p, err := v.openCare(a)
	if err != nil {
		return err
	}
	a.Title, a.Button = "Type what was read", "Take it"
	a.Lead = "For a tool that does not talk to this machine. Leave empty what comes over its line."
	a.Care = &careAsk{Values: true, Tool: v.toolName(p.Tool), Reference: v.toolName(p.Reference), Placeholder: v.point(&p.Plan)}
	return nil
}

func askCareDrop(_ *Pages, _ *http.Request, v viewer, _ *rules.Job, a *askView) error {
	p, err := v.openCare(a)
	if err != nil {
		return err
	}
	a.Title, a.Button, a.Grave = "End it without a result", "Drop it", true
	a.Lead = "What was taken stays in the journal; the tool stands where it stood."
	a.Choices = []choice{{"calibration", "The calibration of " + v.toolName(p.Tool), "", true}}
	if p.Check != "" {
		a.Choices = []choice{{"check", "The check of " + v.toolName(p.Tool), "", true}}
	}
	a.Method = "What"
	a.Reasons = []string{"The bench is needed", "The readings were taken wrongly", "The wrong tool or reference"}
	a.Words = "Other words"
	return nil
}

func askCalClose(_ *Pages, _ *http.Request, v viewer, _ *rules.Job, a *askView) error {
	p, err := v.openCare(a)
	if err != nil {
		return err
	}
	a.Title, a.Button = "Judge the calibration of "+v.toolName(p.Tool), "Judge it"
	a.Lead = "A good result sets the date until which it may be used. A bad one puts it into quarantine."
	if left := p.Rows - p.Row; left > 0 {
		a.Items = []string{fmt.Sprintf("%d of %d readings are missing: without them it gets no good verdict.", left, p.Rows)}
	}
	a.Care = &careAsk{Influences: p.Plan.Point.Dimension() != quantity.DimLength}
	a.Words = "Remark for the record (may stay empty)"
	return nil
}
