package dashboards

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"witnessmark/events"
	"witnessmark/rules"
)

// askView is a small page, or a dialog on the bench page, in which a person
// gives what a request needs.
type askView struct {
	What    string
	Title   string
	Lead    string // what this does, in a sentence
	Button  string
	Grave   bool
	Bench   events.Bench
	Job     string
	Step    string
	Alert   string
	Reading uint64
	Shown   string // the reading in words
	Reasons []string
	Words   string // label of the free text; "" for none
	Name    string // form name of the free text
	Needed  bool   // the free text must not stay empty
	Tools   []choice
	Places  []choice
	Choices []choice
	Method  string   // title above Choices; "" for the usual one
	To      []choice // people
	Benches []choice
	By      []choice // who asks, where that is to be chosen
	ByTitle string   // above them
	Items   []string
	People  []personView
	Item    *itemAskView // of "item"
	Loose   []looseView  // of "loose"
	Care    *careAsk     // of those about tools
	Back    string
	Stacks  []stackAsk // of a shim step
	Place   string     // of a press step
	Hands   []handView // parts that are told before a pressing
	Line    *lineView  // line of a kit that is answered by hand
}

type choice struct {
	Value, Text, Hint string
	Set               bool
}

type askMaker func(p *Pages, r *http.Request, v viewer, job *rules.Job, a *askView) error

// asks are the pages of GET /bench/{bench}/ask/{what}.
var asks = map[string]askMaker{
	"who":      askWho,
	"keys":     askKeys,
	"point":    askPoint,
	"confirm":  askConfirm,
	"typed":    askTyped,
	"void":     askVoid,
	"claim":    askClaim,
	"dismiss":  askDismiss,
	"decide":   askDecide,
	"settle":   askSettle,
	"pause":    askPause,
	"handover": askHandOver,
	"release":  askRelease,
	"abandon":  askAbandon,
	"audit":    askAudit,
	"turned":   askTurned,

	"override":  askOverride,
	"check":     askCheck,
	"calibrate": askCalibrate,
	"pair":      askPair,
	"caredrop":  askCareDrop,
	"calclose":  askCalClose,

	"item":      askItem,
	"loose":     askLoose,
	"looseopen": askLooseOpen,
	"hold":      askHold,
	"finding":   askFinding,
	"part":      askPart,
	"undo":      askUndo,
	"mates":     askMates,
	"shimfound": askShimFound,
	"shimfit":   askShimFit,
}

var needsNoJob = []string{"who", "keys", "dismiss", "settle", "check", "calibrate", "pair", "caredrop", "calclose"}

// ask answers GET /bench/{bench}/ask/{what}; with ?fragment=1 only the form.
func (p *Pages) ask(w http.ResponseWriter, r *http.Request) error {
	what, bench := r.PathValue("what"), r.PathValue("bench")
	maker, ok := asks[what]
	if !ok {
		return problem(http.StatusNotFound, "There is no such request: "+what, "Go back to the bench.")
	}
	a := askView{What: what, Back: "/bench/" + bench, Step: r.FormValue("step"), Alert: r.FormValue("alert"), Name: "words"}
	a.Reading, _ = strconv.ParseUint(r.FormValue("reading"), 10, 64)
	var err error
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		var known bool
		if a.Bench, known = v.knownBench(bench); !known {
			err = noBench(bench)
			return
		}
		a.People = v.people(person(r))
		job := st.Jobs[st.BenchJob[bench]]
		if job != nil {
			a.Job = job.ID
		} else if !slices.Contains(needsNoJob, what) {
			err = &pageProblem{Status: http.StatusConflict, Text: "There is no job at this bench now.", Todo: "Open one, or go on with a paused one.",
				Back: a.Back, Name: "Back to the bench"}
			return
		}
		err = maker(p, r, v, job, &a)
	})
	if err != nil {
		return err
	}
	f := p.frame(r, a.Title, a)
	if r.FormValue("fragment") != "" {
		p.write(w, http.StatusOK, "ask-form", f)
		return nil
	}
	p.write(w, http.StatusOK, "ask", f)
	return nil
}

func noBench(id string) error {
	return problem(http.StatusNotFound, "There is no bench "+id+".", "Choose a bench on the overview; the shop file names them.")
}

func askWho(_ *Pages, _ *http.Request, _ viewer, _ *rules.Job, a *askView) error {
	a.Title = "Who works here?"
	return nil
}

func askKeys(_ *Pages, _ *http.Request, _ viewer, _ *rules.Job, a *askView) error {
	a.Title = "Keys"
	a.Choices = []choice{
		{"A", "acknowledge the first alert", "", false}, {"S", "switch the sound on", "", false},
		{"C", "confirm the step", "", false}, {"T", "type a value that was read by eye", "", false}, {"D", "a lead decides", "", false}, {"V", "the last reading was a mistake", "", false},
		{"G", "take the value that stands there; M, E, N, B, X: the other buttons of a measurement", "", false},
		{"F", "point at a fastener", "", false}, {"U", "say what a reading is for", "", false},
		{"1 … 4", "answer the question about a pull", "", false}, {"K", "a lead audits a finished fastener", "", false}, {"O", "a fastener turned in the closing round", "", false},
		{"Q", "answer what the step asks", "", false}, {"J", "the shims that are in", "", false}, {"L", "loose ends", "", false}, {"E", "release a hold point", "", false},
		{"Z", "take the last pair of a calibration back", "", false}, {"B", "begin a quick check of a tool", "", false},
		{"P", "pause", "", false}, {"H", "hand over", "", false}, {"R", "release", "", false}, {"W", "who works here", "", false},
		{"← →", "go round the fasteners; Enter points at one", "", false}, {"Esc", "close; at a kit: free the keys from the scan field", "", false},
	}
	return nil
}

func askPoint(_ *Pages, _ *http.Request, v viewer, job *rules.Job, a *askView) error {
	a.Title, a.Button = "Point at a fastener", "The next pull is here"
	a.Lead = "Say at which fastener the next pull will be. The evidence is then that its position was confirmed."
	cur, _, fastener := v.current(job)
	if cur < 0 || job.Proc.Steps[cur].Joint == nil {
		return &pageProblem{Status: http.StatusConflict, Text: "This step has no fasteners.", Todo: "Go on with the step.", Back: a.Back, Name: "Back to the bench"}
	}
	j := job.Proc.Steps[cur].Joint
	a.Step = job.Proc.Steps[cur].ID
	for i, f := range j.Fasteners {
		a.Places = append(a.Places, choice{f.ID, "Fastener " + f.ID, strings.Trim(f.Note+", "+clock(j.Fasteners, i), ", "), i == fastener})
	}
	return nil
}

func askConfirm(_ *Pages, _ *http.Request, _ viewer, job *rules.Job, a *askView) error {
	step, i := job.Proc.Step(a.Step)
	if i < 0 {
		return &pageProblem{Status: http.StatusNotFound, Text: "The procedure has no step " + a.Step + ".", Todo: "Go back and choose a step.", Back: a.Back, Name: "Back to the bench"}
	}
	a.Title, a.Button = "Confirm: "+step.Title, "It is done"
	a.Lead, a.Items = step.Statement, step.Cautions
	a.Words, a.Name = "Remark (may stay empty)", "answer"
	if strings.HasSuffix(step.Statement, ":") { // the procedure asks for words or a figure
		a.Words, a.Needed = "Write down what the procedure asks for", true
	}
	return nil
}

func askVoid(_ *Pages, _ *http.Request, v viewer, job *rules.Job, a *askView) error {
	a.Title, a.Button, a.Grave = "The last reading was a mistake", "It counts no longer", true
	a.Lead = "The reading stays in the record with its verdict; it counts no longer, and the place must be done again."
	a.Reasons = []string{"The wrong fastener", "The wrench slipped", "A trial pull", "The tool was set wrongly"}
	a.Words = "Other words"
	l := v.last(job, a.Bench.ID)
	if a.Reading == 0 && l != nil {
		a.Reading = l.Reading
	}
	if l != nil && l.Reading == a.Reading {
		a.Shown = l.Value + " " + l.Unit + ", " + l.Where + ": " + l.Word
	}
	return nil
}

func (a *askView) unplaced(v viewer) error {
	u, ok := v.st.Unplaced[a.Reading]
	if !ok {
		return &pageProblem{Status: http.StatusConflict, Text: "This reading has a place by now, or was set aside.", Todo: "Nothing more is to be done.", Back: a.Back, Name: "Back to the bench"}
	}
	a.Shown = asSent(u.Text, u.Unit) + " from " + v.toolName(u.Tool) + ", " + clockTime(u.AtUs, v.now) + ": " + u.Why
	return nil
}

func askClaim(_ *Pages, _ *http.Request, v viewer, job *rules.Job, a *askView) error {
	a.Title, a.Button = "What was this reading for?", "Count it for this"
	a.Lead = "The record will say that a person assigned it, and why."
	a.Reasons = []string{"Pulled before the job was opened", "Pulled before its step came", "The bench or tool was the wrong one"}
	a.Words = "Other words"
	if err := a.unplaced(v); err != nil {
		return err
	}
	cur, _, fastener := v.current(job)
	for i := range job.Proc.Steps {
		if i != cur && job.Steps[i].Done {
			continue
		}
		a.Places = append(a.Places, v.places(job, i, func(int) bool { return true })...)
		if i == cur && fastener >= 0 {
			a.Places[len(a.Places)-len(job.Proc.Steps[i].Joint.Fasteners)+fastener].Set = true
		}
	}
	return nil
}

// places lists a step's fasteners, or the step itself if it is measured.
func (v viewer) places(job *rules.Job, step int, want func(i int) bool) []choice {
	spec := &job.Proc.Steps[step]
	if spec.Measure != nil {
		if want(-1) {
			return []choice{{Value: spec.ID, Text: spec.Title, Hint: spec.Measure.What}}
		}
		return nil
	}
	if spec.Joint == nil {
		return nil
	}
	var out []choice
	for i, f := range spec.Joint.Fasteners {
		if want(i) {
			out = append(out, choice{Value: spec.ID + "/" + f.ID, Text: "Fastener " + f.ID + ", " + spec.Title,
				Hint: lookWords[v.st.Look(job, step, i)] + ", " + clock(spec.Joint.Fasteners, i)})
		}
	}
	return out
}

func askDismiss(_ *Pages, _ *http.Request, v viewer, _ *rules.Job, a *askView) error {
	a.Title, a.Button, a.Grave = "Set the reading aside", "It belongs to nothing", true
	a.Lead = "It stays in the journal, and the record says who set it aside and why."
	a.Reasons = []string{"A trial pull", "A check of the tool", "Work that is not recorded here"}
	a.Words = "Other words"
	return a.unplaced(v)
}

func askDecide(_ *Pages, r *http.Request, v viewer, job *rules.Job, a *askView) error {
	a.Title, a.Button = "A lead decides", "Decide so"
	a.Lead = "To leave it as it is is a deviation from the procedure: the record says who accepted it and why."
	a.Choices = []choice{
		{events.ChoiceRedo, "Do it again", "slacken or renew the fastener; its readings count no longer", false},
		{events.ChoiceAccept, "Leave it as it is", "accept the deviation", false},
	}
	a.Reasons = []string{"Fastener slackened and to be renewed", "Checked with a second tool", "Within what the maker allows"}
	a.Words = "Other words"
	step, fasteners := "", []string(nil)
	if al, ok := v.st.Alerts[a.Alert]; ok {
		step, fasteners = al.Step, al.Fasteners
	}
	for i := range job.Proc.Steps {
		a.Places = append(a.Places, v.places(job, i, func(f int) bool { return undecided(v, job, i, f) })...)
	}
	for i := range a.Places {
		s, f, _ := strings.Cut(a.Places[i].Value, "/")
		a.Places[i].Set = s == step && slices.Contains(fasteners, f) || len(a.Places) == 1
	}
	if len(a.Places) == 0 {
		return &pageProblem{Status: http.StatusConflict, Text: "Nothing waits for a lead's decision.", Todo: "Go on with the step.", Back: a.Back, Name: "Back to the bench"}
	}
	a.By = leads(v, person(r))
	return nil
}

// undecided reports whether a lead may have to decide on a fastener, or on a
// measured value if f is -1.
func undecided(v viewer, job *rules.Job, step, f int) bool {
	st := job.Steps[step]
	if f < 0 {
		return shimsDiffer(job, step) || !st.Accepted && st.Value != nil && st.Value.Reading != 0 && st.Value.Verdict != events.Within
	}
	switch v.st.Look(job, step, f) {
	case rules.LookHigh, rules.LookLow, rules.LookDoubtful, rules.LookMissed:
		return true
	}
	return false
}

func leads(v viewer, current string) []choice {
	var out []choice
	for _, q := range v.people(current) {
		if events.Role(q.Role).Leads() {
			out = append(out, choice{q.ID, q.Name, q.Role, q.Current})
		}
	}
	return out
}

func askSettle(_ *Pages, r *http.Request, v viewer, _ *rules.Job, a *askView) error {
	a.Title, a.Button, a.Grave = "Set the alert aside", "Set it aside", true
	al, ok := v.st.Alerts[a.Alert]
	if !ok {
		return &pageProblem{Status: http.StatusConflict, Text: "This alert is settled by now.", Todo: "Nothing more is to be done.", Back: a.Back, Name: "Back to the bench"}
	}
	a.Shown = alertKind(al.Kind).name + ": " + al.Text
	a.Lead = "Most alerts settle by themselves once the work is done. A lead may set one aside; the record says who and why."
	a.Reasons = []string{"Looked at the part: it is right", "The tool was checked", "Cleared with the customer"}
	a.Words = "Other words"
	a.By = leads(v, person(r))
	return nil
}

func askPause(_ *Pages, _ *http.Request, _ viewer, _ *rules.Job, a *askView) error {
	a.Title, a.Button, a.Lead = "Pause the job", "Pause it", "The bench becomes free. Nothing is lost; anybody can go on with the job, here or at another bench."
	a.Words, a.Name = "Note for whoever goes on (may stay empty)", "note"
	return nil
}

func askHandOver(_ *Pages, _ *http.Request, v viewer, job *rules.Job, a *askView) error {
	a.Title, a.Button, a.Lead = "Hand the job over", "Hand it over", "From now on the readings are another person's, and, if you choose one, another bench's."
	a.Words, a.Name = "Note for whoever goes on (may stay empty)", "note"
	for _, q := range v.people(job.Technician) {
		a.To = append(a.To, choice{q.ID, q.Name, q.Role, q.Current})
	}
	a.Benches = append(a.Benches, choice{"", "Stay at this bench", "", true})
	for _, b := range v.st.Shop.Benches {
		if b.ID != a.Bench.ID {
			hint := "free"
			if v.st.BenchJob[b.ID] != "" {
				hint = "job " + v.st.BenchJob[b.ID] + " is there"
			}
			a.Benches = append(a.Benches, choice{b.ID, v.benchName(b.ID), hint, false})
		}
	}
	return nil
}

func askRelease(_ *Pages, r *http.Request, v viewer, job *rules.Job, a *askView) error {
	a.Title, a.Button = "Release the job", "Ask for the release"
	a.Lead = "The unit may leave. This is refused as long as anything is open."
	a.Items = v.st.OpenWork(job)
	a.By = leads(v, person(r))
	return nil
}

func askAbandon(_ *Pages, r *http.Request, v viewer, _ *rules.Job, a *askView) error {
	a.By = leads(v, person(r))
	a.Title, a.Button, a.Grave, a.Lead = "End the job without release", "End it", true, "The unit must not leave on this record."
	a.Reasons = []string{"The customer withdrew", "The unit is beyond repair", "Opened by mistake"}
	a.Words = "Other words"
	return nil
}
