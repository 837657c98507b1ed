package dashboards

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// itemAskView is the page that asks about one item.
type itemAskView struct {
	Kind         procedure.ItemKind
	Item         string
	Was          string // the recorded clock position of a mark
	WasHour      string // its hour alone
	WasBy        string
	Photo        string // id of the photo that was taken of it
	PhotoHash    string
	Photos       []choice // of this step, to choose from
	Ways         []wayView
	Where, Never []string
	Open         string // the open time, in words
	Travel       bool
	Unit         string
	Limits       string
	Readings     []choice
}

// wayView is one way that a part can face.
type wayView struct {
	Key, Text string
	Face      *faceView
}

func askItem(_ *Pages, r *http.Request, v viewer, job *rules.Job, a *askView) error {
	step, i := job.Proc.Step(a.Step)
	var it *procedure.Item
	if i >= 0 {
		it = step.Item(r.FormValue("item"))
	}
	if it == nil {
		return &pageProblem{Status: http.StatusNotFound, Text: "This step does not ask that.", Todo: "Go back and choose what it asks.", Back: a.Back, Name: "Back to the bench"}
	}
	a.Title, a.Lead, a.Item = itemAsk(it), step.Title, &itemAskView{Kind: it.Kind, Item: it.ID, Where: it.Where, Never: it.Never}
	if x := job.Steps[i].ItemState(it.ID); x != nil && it.Kind != procedure.ItemFacing { // that would tell the answer
		a.Shown = "Answered before by " + v.personName(x.By) + ": " + x.Text
	}
	switch it.Kind {
	case procedure.ItemMatch:
		if _, k := job.Proc.Step(it.MarkStep); k >= 0 {
			if was := job.Steps[k].ItemState(it.ID); was != nil {
				a.Item.WasHour, _, _ = strings.Cut(was.Answer, ":")
				a.Item.PhotoHash = photoHash(job, was.Photo)
				a.Item.Was, a.Item.WasBy, a.Item.Photo = was.Answer, v.personName(was.By)+", "+clockTime(was.AtUs, v.now), was.Photo
			}
		}
	case procedure.ItemMark:
		for _, k := range job.Photos {
			if k.Step == step.ID {
				a.Item.Photos = append(a.Item.Photos, choice{Value: k.Photo, Text: k.Photo, Hint: k.Hash})
			}
		}
	case procedure.ItemFacing:
		for n, c := range rules.Offered(job.ID, step.ID, it) {
			ch := it.Choices[c]
			w := wayView{Key: strconv.Itoa(n + 1), Text: ch.Text}
			if ch.Face != "" {
				w.Face = drawFace(job.Proc.Face(ch.Face), nil, nil)
			}
			a.Item.Ways = append(a.Item.Ways, w)
		}
	case procedure.ItemStop:
		if it.Travel != quantity.NoDimension {
			a.Item.Travel, a.Item.Unit = true, it.Unit.Symbol()
			a.Item.Readings = v.travelReadings(job, it.Travel)
			var lim []string
			if !it.Most.IsZero() {
				lim = append(lim, "at most "+withUnit(it.Most, it.Unit))
			}
			if !it.Spread.IsZero() {
				lim = append(lim, "the rings may differ by "+withUnit(it.Spread, it.Unit))
			}
			a.Item.Limits = strings.Join(lim, ", ")
		}
	case procedure.ItemSealant:
		a.Item.Open = rules.Span(it.Open)
	}
	return nil
}

// photoHash returns under which hash a job's photo is kept, "" if it has none
// of that id.
func photoHash(job *rules.Job, id string) string {
	for _, k := range job.Photos {
		if k.Photo == id {
			return k.Hash
		}
	}
	return ""
}

func askLoose(_ *Pages, _ *http.Request, v viewer, job *rules.Job, a *askView) error {
	a.Loose = v.loose(job)
	a.Title = looseCount(len(a.Loose))
	a.Lead = "The job is not released while one is open."
	return nil
}

func askLooseOpen(_ *Pages, _ *http.Request, _ viewer, _ *rules.Job, a *askView) error {
	a.Title, a.Button = "Leave something open", "It is open"
	a.Lead = "Something slackened, left finger tight or left in place that no step knows of. It is counted until it is closed."
	a.Words, a.Name, a.Needed = "What is open, such as: rag in the sump", "what", true
	a.Method = "Who has to see that it is closed"
	a.Choices = []choice{{"anyone", "Anyone", "", true}, {events.BySecond, "A second person", "not who left it open", false}, {events.ByLead, "A lead", "who did not leave it open", false}}
	return nil
}

func askHold(_ *Pages, _ *http.Request, v viewer, job *rules.Job, a *askView) error {
	i := slices.IndexFunc(job.Steps, func(st rules.StepState) bool { return st.AtHold() && (a.Step == "" || st.Hold.Step == a.Step) })
	if i < 0 {
		return &pageProblem{Status: http.StatusConflict, Text: "No step waits at a hold point.", Todo: "Go on with the work.", Back: a.Back, Name: "Back to the bench"}
	}
	h := v.hold(job, i)
	a.Step, a.Title, a.Button = h.Step, "Hold point: "+h.Title, "I have looked at it: release"
	a.Lead = "The work was done by " + h.By + ". " + sentence(h.Who+" who did none of it looks at it and releases it")
	a.ByTitle = "Who releases it"
	for _, q := range v.st.Shop.People {
		lead := q.Role.Leads()
		if job.WorkedOn(i, q.ID) || !lead && (job.Steps[i].Hold.Hold == events.ByLead || !q.Role.Works()) {
			continue
		}
		a.By = append(a.By, choice{q.ID, q.Name, string(q.Role), false})
	}
	a.Words, a.Name = "Remark (may stay empty)", "note"
	return nil
}

func askFinding(_ *Pages, r *http.Request, v viewer, job *rules.Job, a *askView) error {
	a.Title, a.Button = "A lead decides", "Decide so"
	a.Lead = "To leave it as it is is a deviation from the procedure: the record says who accepted it and why."
	a.Choices = []choice{
		{events.ChoiceRedo, "Put it right", "it is asked again", false},
		{events.ChoiceAccept, "Leave it as it is", "accept the deviation", false},
	}
	a.Reasons = []string{"Put right and looked at", "The part is new and has no mark", "Within what the maker allows"}
	a.Words = "Other words"
	al := v.st.Alerts[a.Alert]
	for i := range job.Proc.Steps {
		for _, iv := range v.items(job, i) {
			if iv.State == "wrong" {
				set := al != nil && al.Step == iv.Step && slices.Contains(al.Items, iv.ID)
				a.Places = append(a.Places, choice{Value: iv.Step + "/" + iv.ID, Text: iv.Text, Hint: job.Proc.Steps[i].Title, Set: set})
			}
		}
	}
	if len(a.Places) == 0 {
		return &pageProblem{Status: http.StatusConflict, Text: "Nothing waits for a lead's decision.", Todo: "Go on with the step.", Back: a.Back, Name: "Back to the bench"}
	}
	a.By = leads(v, person(r))
	return nil
}

// attestedRequests are the requests about what people attest.
var attestedRequests = map[string]func(f form, a events.Ask) events.Data{
	"item": itemRequest,
	"looseopen": func(f form, a events.Ask) events.Data {
		who := f.get("choice")
		if who == "anyone" {
			who = events.ByAnyone
		}
		what := f.need("what", "Say in a few words what is open.")
		return events.LooseEndOpenAsked{Ask: a, Job: f.job(), Step: f.get("step"), What: what, Closes: "closed, taken out or put back: " + what, Who: who}
	},
	"looseclose": func(f form, a events.Ask) events.Data {
		return events.LooseEndCloseAsked{Ask: a, Job: f.job(), LooseEnd: f.need("loose_end", "The loose end is missing: go back to the bench."),
			Answer: f.need("answer", "Say what was done or seen.")}
	},
	"hold": func(f form, a events.Ask) events.Data {
		return events.HoldReleaseAsked{Ask: a, Job: f.job(), Step: f.step(), Note: f.get("note")}
	},
	"finding": func(f form, a events.Ask) events.Data {
		step, item, _ := strings.Cut(f.need("place", "Choose what is decided on."), "/")
		return events.ItemDecisionAsked{Ask: a, Job: f.job(), Step: step, Item: item, Choice: f.need("choice", "Choose what is to be done."), Reason: f.reason()}
	},
}

func itemRequest(f form, a events.Ask) events.Data {
	d := events.ItemAnswerAsked{Ask: a, Job: f.job(), Step: f.step(), Item: f.need("item", "The question is missing: go back to the bench."),
		Answer: f.get("answer"), Other: f.get("other"), Remark: f.get("remark"), Photo: f.get("photo")}
	if f.get("half") != "" && d.Answer != "" {
		d.Answer += ":30"
	}
	if ago := f.get("ago"); ago != "" {
		n, err := strconv.Atoi(ago)
		if err != nil {
			*f.missing = append(*f.missing, "Say how many seconds ago it was applied.")
		}
		d.AgoS = n
	}
	for _, r := range f.values["reading"] {
		n, err := strconv.ParseUint(r, 10, 64)
		if err != nil {
			*f.missing = append(*f.missing, "A reading is missing: go back to the bench.")
			continue
		}
		d.Readings = append(d.Readings, n)
	}
	if text := f.get("travel"); text != "" {
		_, u, err := quantity.Parse(text)
		if err != nil {
			*f.missing = append(*f.missing, unread(err))
			return d
		}
		d.Text, d.Unit = quantity.Digits(text), u.Code()
	}
	return d
}

// scanned answers a badge or short code on POST /who: it tells the rules who
// works at the bench from now on, and remembers it on this screen.
func (p *Pages) scanned(w http.ResponseWriter, r *http.Request, f form) error {
	bench := f.get("bench")
	line := f.get("badge")
	if _, err := p.submit(r.Context(), bench, events.BadgeScanned{Ask: events.Ask{Bench: bench, AtUs: events.InstantOf(p.now())}, Badge: line}); err != nil {
		return err
	}
	p.cfg.Service.View(func(st *rules.State) {
		if q, _, ok := st.Badge(line); ok {
			http.SetCookie(w, personCookieOf(q.ID))
		}
	})
	if wantsJSON(r) {
		return writeJSON(w, http.StatusOK, map[string]any{"ok": true})
	}
	http.Redirect(w, r, p.returnTo(f, "who", nil), http.StatusSeeOther)
	return nil
}
