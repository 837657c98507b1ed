package dashboards

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"io/fs"
	"mime"
	"net/http"
	"path"

	"witnessmark/dashboards/access"
	"witnessmark/events"
	"witnessmark/rules"
)

//go:embed pages/*.html
var pageFiles embed.FS

//go:embed assets/*
var assetFiles embed.FS

// views holds the parsed templates and the files that pages load.
type views struct {
	t      *template.Template
	assets map[string][]byte
	hash   string // of all assets: part of their address, so that they may be kept for ever
}

func newViews() (*views, error) {
	v := &views{assets: map[string][]byte{}}
	sum := sha256.New()
	names, err := fs.Glob(assetFiles, "assets/*")
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		b, err := assetFiles.ReadFile(name)
		if err != nil {
			return nil, fmt.Errorf("read embedded file: %w", err)
		}
		v.assets[path.Base(name)] = b
		fmt.Fprintf(sum, "%s %d\n", name, len(b))
		sum.Write(b)
	}
	v.hash = hex.EncodeToString(sum.Sum(nil))[:12]
	v.t, err = template.New("").Funcs(template.FuncMap{
		"asset":   func(name string) string { return "/assets/" + v.hash + "/" + name },
		"icon":    func(look, grade string) icon { return icon{Look: rules.Look(look), Grade: gradeOf(grade)} },
		"plural":  plural,
		"inc":     func(i int) int { return i + 1 },
		"hexdump": hexdump,

		"loosecount": looseCount,
		"hours":      hours,
		"partForm": func(bench, job, step, part string) partForm {
			return partForm{bench, job, step, part}
		},
	}).Funcs(recordWords()).ParseFS(pageFiles, "pages/*.html")
	if err != nil {
		return nil, fmt.Errorf("parse pages: %w", err)
	}
	return v, nil
}

func (v *views) asset(w http.ResponseWriter, r *http.Request) {
	b, ok := v.assets[r.PathValue("name")]
	if !ok {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", mime.TypeByExtension(path.Ext(r.PathValue("name"))))
	w.Header().Set("Cache-Control", "no-cache")
	if r.PathValue("hash") == v.hash {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	_, _ = w.Write(b) // the client has gone if this fails
}

// frame is what every page is given; Data is the page's own.
type frame struct {
	Title   string
	Path    string
	Shop    string
	Banner  string
	Bench   string // of a bench page: its live stream
	Live    bool   // the page follows the whole shop's stream
	Boot    string
	Cause   uint64
	Person  *personView
	Open    int      // alerts that nobody has seen
	Drawers bool     // the shop has drawers of shims
	Chain   bool     // a hub is named, and who looks may see its shops
	Trouble []string // what is wrong with the recording itself
	Keeper  bool     // access can be configured
	Closed  bool     // people sign in
	Nobody  bool     // who looks has not shown who that is
	Signed  bool     // a person is signed in
	Screen  string   // the enrolled screen that this is
	Access  bool     // who looks may see people and screens
	Refused bool     // and what was refused
	Data    any
}

// render writes a page whole, or nothing: a template that breaks half way
// gives an error page.
func (p *Pages) render(w http.ResponseWriter, r *http.Request, status int, name, title string, data any) {
	f := p.frame(r, title, data)
	p.write(w, status, name, f)
}

func (p *Pages) frame(r *http.Request, title string, data any) frame {
	f := frame{Title: title, Path: r.URL.Path, Banner: p.cfg.Banner, Boot: p.hub.boot, Data: data, Trouble: p.notices()}
	f.Chain = p.cfg.Chain != nil
	if k := p.cfg.Access; k != nil {
		f.Keeper, f.Closed = true, k.Configured()
	}
	if v := visit(r); v != nil {
		f.Nobody = !v.Open && v.Who == access.Nobody
		f.Signed, f.Screen = v.SignedIn(), v.Device.ID
		f.Access, f.Refused = v.May("GET /access"), v.May("GET /access/refusals")
		f.Chain = f.Chain && v.May("GET /chain")
	}
	if f.Nobody {
		f.Trouble = nil // nothing of the shop is told to whom nobody knows
		return f
	}
	id := person(r)
	p.cfg.Service.View(func(st *rules.State) {
		f.Shop, f.Cause, f.Drawers = st.Shop.Name, st.Cause, len(st.Shop.Shims) > 0
		for _, a := range st.Alerts {
			if a.AckBy == "" {
				f.Open++
			}
		}
		for _, q := range (viewer{st: st}).people(id) {
			if q.Current {
				f.Person = &q
			}
		}
	})
	return f
}

// hasBench reports whether the shop file in force names a bench.
func (p *Pages) hasBench(id string) (ok bool) {
	p.cfg.Service.View(func(st *rules.State) { _, ok = viewer{st: st}.knownBench(id) })
	return ok
}

func gradeOf(s string) events.Grade { return events.Grade(s) }

func (p *Pages) write(w http.ResponseWriter, status int, name string, data any) {
	var b bytes.Buffer
	if err := p.views.t.ExecuteTemplate(&b, name, data); err != nil {
		p.log.Error("render page", "page", name, "err", err)
		http.Error(w, "This page could not be made. Try again; if it stays so, look at the service's log.", http.StatusInternalServerError)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // the client has gone if this fails
}
