package dashboards

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/quantity"
	"witnessmark/rules"
)

const (
	fewestRows = 6  // that the form shows for points
	moreRows   = 4  // that are added at a time
	mostRows   = 60 // that a form may have
)

// certificateForm is the page on which an outside laboratory's certificate is
// entered: what was typed, and what is wrong with it.
type certificateForm struct {
	Tool, Name, Link string
	Kind, Range      string
	Serial           string
	Unit             string // of deviations, uncertainties and limits
	Torque           bool   // its points have a direction of turning
	Example          string // of a point
	Values           map[string]string
	Rows             []certificateRow
	Wrong            map[string]string // by field
	Count            int               // of what is wrong
	People           []choice          // who may enter it; none where somebody is signed in
	Files            bool              // files of certificates are kept
	MostMB           int
}

// certificateRow is a point as typed, by rules.CertificateColumns.
type certificateRow struct {
	Values map[string]string
	Wrong  map[string]string
}

// certificateFields are the fields beside the points; the page sends them by
// the names that the request has.
var certificateFields = []string{"certificate", "laboratory", "date", "due", "phase", "standing", "k", "file", "file_hash", "file_size", "by"}

// certificateSheet makes the form of a tool, with what f brings.
func (p *Pages) certificateSheet(r *http.Request, t *events.Tool, f form) *certificateForm {
	c := &certificateForm{Tool: t.ID, Name: t.Name, Link: "/tools/" + url.PathEscape(t.ID), Kind: kindWords[t.Kind], Range: rangeWords(t), Serial: t.Serial,
		Unit: "%", Torque: t.Most.Dimension() == quantity.DimTorque, Values: map[string]string{}, Wrong: map[string]string{}, Files: p.cfg.Photos != nil, MostMB: mostPhotoMB}
	if c.Name == "" {
		c.Name = t.ID
	}
	unit := baseUnits[t.Most.Dimension()]
	if unit == quantity.Millimetre {
		c.Unit = unit.Symbol()
	}
	c.Example = num(t.Most.In(unit)) + " " + unit.Symbol()
	for _, name := range certificateFields {
		c.Values[name] = f.get(name)
	}
	rows := 0
	for _, name := range rules.CertificateColumns {
		rows = max(rows, len(f.values[name]))
	}
	for i := range min(mostRows, max(rows, fewestRows)) {
		row := certificateRow{map[string]string{}, map[string]string{}}
		for _, name := range rules.CertificateColumns {
			if all := f.values[name]; i < len(all) {
				row.Values[name] = strings.TrimSpace(all[i])
			}
		}
		c.Rows = append(c.Rows, row)
	}
	if !visit(r).SignedIn() {
		p.cfg.Service.View(func(st *rules.State) {
			who := c.Values["by"]
			if who == "" {
				who = person(r)
			}
			c.People = viewer{st, p.now()}.carers(who)
		})
	}
	return c
}

// wrong notes what is wrong with a field, or with a point's if row is not
// negative.
func (c *certificateForm) wrong(row int, field, text string) {
	c.Count++
	to := c.Wrong
	if row >= 0 {
		to = c.Rows[row].Wrong
	}
	to[field] = strings.TrimSpace(to[field] + " " + sentence(text))
}

// ask makes the request that the form means, and in which row each of its
// points stands. What cannot be read is noted as wrong.
func (c *certificateForm) ask(a events.Ask) (d events.CertificateAsked, rows []int) {
	v := c.Values
	d = events.CertificateAsked{Ask: a, Tool: c.Tool, Certificate: v["certificate"], Laboratory: v["laboratory"], Date: v["date"], Due: v["due"],
		Phase: events.Phase(v["phase"]), Standing: events.Standing(v["standing"]), File: v["file"], FileHash: v["file_hash"]}
	if d.Phase == "" {
		c.wrong(-1, "phase", "Say whether it is as found or as left.")
		d.Phase = events.PhaseFound
	}
	var err error
	if v["k"] != "" {
		if d.K, err = strconv.ParseFloat(strings.Replace(v["k"], ",", ".", 1), 64); err != nil {
			c.wrong(-1, "k", fmt.Sprintf("coverage factor %q: want a figure, such as 2", v["k"]))
			d.K = 0
		}
	}
	if v["file_size"] != "" {
		d.FileSize, err = strconv.ParseInt(v["file_size"], 10, 64)
		switch {
		case err != nil:
			c.wrong(-1, "file", "its size did not come through: choose the file again")
		case d.FileSize > journal.MostPhoto:
			c.wrong(-1, "file", fmt.Sprintf("it has %d MB, more than the %d MB that are kept: scan it with a lower resolution", (d.FileSize+1<<19)>>20, mostPhotoMB))
		}
	}
	for i := range c.Rows {
		var columns [len(rules.CertificateColumns)]string
		blank := true
		for k, name := range rules.CertificateColumns {
			columns[k] = c.Rows[i].Values[name]
			blank = blank && (columns[k] == "" || name == "direction") // a direction alone is no point
		}
		if blank {
			continue
		}
		point, wrong := rules.CertificatePoint(columns)
		for _, w := range wrong {
			c.wrong(i, w.Field, w.Text)
		}
		if len(wrong) == 0 {
			d.Results, rows = append(d.Results, point), append(rows, i)
		}
	}
	return d, rows
}

// check asks the rules what is wrong with the request.
func (c *certificateForm) check(st *rules.State, d events.CertificateAsked, rows []int) {
	unread := slices.ContainsFunc(c.Rows, func(row certificateRow) bool { return len(row.Wrong) > 0 })
	for _, f := range st.CertificateFaults(d, d.AtUs) {
		row := -1
		if f.Point > 0 {
			row = rows[f.Point-1]
		}
		if f.Field == "results" && unread {
			continue // there are points: what is wrong with them is said there
		}
		c.wrong(row, f.Field, f.Text)
	}
}

// askCertificate shows the form: GET /tools/{tool}/certificate.
func (p *Pages) askCertificate(w http.ResponseWriter, r *http.Request) error {
	t, ok := p.toolNamed(r.PathValue("tool"))
	if !ok {
		return noTool(r.PathValue("tool"))
	}
	c := p.certificateSheet(r, &t, form{})
	c.Values["k"] = "2"
	p.render(w, r, http.StatusOK, "certificate-ask", "A laboratory's certificate: "+c.Name, c)
	return nil
}

// certificateFault is one wrong field, as the page's script is told of it; Row
// is -1 for a field that belongs to no point.
type certificateFault struct {
	Field string `json:"field"`
	Row   int    `json:"row"`
	Text  string `json:"text"`
}

func (c *certificateForm) faults() []certificateFault {
	out := []certificateFault{}
	list := func(row int, wrong map[string]string, names []string) {
		for _, name := range names {
			if wrong[name] != "" {
				out = append(out, certificateFault{name, row, wrong[name]})
			}
		}
	}
	list(-1, c.Wrong, append(slices.Clone(certificateFields), "results", "tool"))
	for i := range c.Rows {
		list(i, c.Rows[i].Wrong, rules.CertificateColumns[:])
	}
	return out
}

// enterCertificate answers POST /tools/{tool}/certificate. The file itself
// follows with PUT /papers/{hash}, as from the command.
func (p *Pages) enterCertificate(w http.ResponseWriter, r *http.Request) error {
	t, ok := p.toolNamed(r.PathValue("tool"))
	if !ok {
		return noTool(r.PathValue("tool"))
	}
	f, err := readForm(w, r)
	if err != nil {
		return err
	}
	c := p.certificateSheet(r, &t, f)
	title := "A laboratory's certificate: " + c.Name
	if f.get("more") != "" { // rows for more points, without a script
		for range min(moreRows, mostRows-len(c.Rows)) {
			c.Rows = append(c.Rows, certificateRow{map[string]string{}, map[string]string{}})
		}
		p.render(w, r, http.StatusOK, "certificate-ask", title, c)
		return nil
	}
	by := c.Values["by"]
	if by == "" {
		by = person(r)
	}
	if by == "" {
		c.wrong(-1, "by", "Choose who enters it.")
	}
	d, rows := c.ask(events.Ask{By: by, AtUs: events.InstantOf(p.now())})
	p.cfg.Service.View(func(st *rules.State) { c.check(st, d, rows) })
	if c.Count > 0 {
		if wantsJSON(r) {
			return writeJSON(w, http.StatusUnprocessableEntity, map[string]any{"error": c.Summary(), "todo": "Put right what is said beside the fields, and enter it again. What you typed still stands.", "faults": c.faults()})
		}
		p.render(w, r, http.StatusUnprocessableEntity, "certificate-ask", title, c)
		return nil
	}
	seq, err := p.submit(r.Context(), "", d)
	if err != nil {
		return err
	}
	if wantsJSON(r) {
		return writeJSON(w, http.StatusOK, map[string]any{"ok": true, "seq": seq, "tool": c.Link})
	}
	http.Redirect(w, r, c.Link, http.StatusSeeOther)
	return nil
}

// Summary says how much is wrong.
func (c *certificateForm) Summary() string {
	if c.Count == 1 {
		return "One thing is wrong; nothing was entered."
	}
	return fmt.Sprintf("%d things are wrong; nothing was entered.", c.Count)
}
