package dashboards

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	_ "image/gif"  // photos may come as GIF
	_ "image/jpeg" // or as JPEG, which cameras give
	_ "image/png"  // or as PNG
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"
	"time"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
	"witnessmark/rules"
)

// PhotoStore keeps photos under their SHA-256. PutPhoto returns only when the
// photo is on disk.
type PhotoStore interface {
	PutPhoto(ctx context.Context, data []byte) (hash string, err error)
	Photo(ctx context.Context, hash string) ([]byte, error)
}

// Limits of a photo. A phone's camera gives 2 to 8 MB and 12 to 50 million
// pixels.
const (
	mostPhotoMB     = journal.MostPhoto >> 20
	mostPixels      = 64_000_000
	mostPhotoWait   = 60 * time.Second // for one photo to come in and be kept
	mostPhotoDrain  = 80 << 20         // bytes of a photo too large that are read and thrown away, so that the browser shows the answer
	mostPhotoFields = 8 << 10          // bytes of the form beside the photo
)

// takePhoto answers POST /photo: a form with the file, as the bench page sends
// it.
func (p *Pages) takePhoto(w http.ResponseWriter, r *http.Request) error {
	if p.cfg.Photos == nil {
		return problem(http.StatusServiceUnavailable, "Photos are not kept here.", "Ask whoever looks after the service.")
	}
	_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(mostPhotoWait)) // not all writers can
	f, data, err := p.readPhoto(r)
	if err != nil {
		return err
	}
	bench := f.get("bench")
	by := f.get("by")
	if by == "" {
		by = person(r)
	}
	if by == "" {
		return p.problemAt(bench, http.StatusConflict, "Nobody is named as working here.", "Choose who you are at the top of the page, then do it again.")
	}
	ask := events.PhotoTaken{Ask: events.Ask{By: by, Bench: bench, AtUs: events.InstantOf(p.now())}, Job: f.job(), Step: f.get("step"), Size: int64(len(data)), Note: f.get("note")}
	if len(*f.missing) > 0 {
		return p.problemAt(bench, http.StatusBadRequest, strings.Join(*f.missing, " "), "Go back and take it again.")
	}
	if ask.Type, ask.Width, ask.Height, err = p.checkPhoto(bench, data); err != nil {
		return err
	}
	if err := p.allowed(r, ask); err != nil {
		return err
	}
	if err := p.photoWanted(bench, &ask); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	if ask.Hash, err = p.cfg.Photos.PutPhoto(ctx, data); err != nil {
		p.log.Error("keep photo", "job", ask.Job, "err", err)
		return p.problemAt(bench, http.StatusServiceUnavailable, "The photo was not kept: "+err.Error()+".", "Take it again. If this stays, call whoever looks after the service.")
	}
	seq, err := p.submit(r.Context(), bench, ask)
	if err != nil {
		return err
	}
	if wantsJSON(r) {
		return writeJSON(w, http.StatusOK, map[string]any{"ok": true, "seq": seq, "sha256": ask.Hash, "photo": fmt.Sprintf("P%d", seq)})
	}
	http.Redirect(w, r, p.returnTo(f, "photo", ask), http.StatusSeeOther)
	return nil
}

// photoWanted refuses a photo that the rules would refuse, before it is kept: a
// file that no record names would lie in the store for ever.
func (p *Pages) photoWanted(bench string, a *events.PhotoTaken) (err error) {
	p.cfg.Service.View(func(st *rules.State) {
		job := st.Jobs[a.Job]
		switch {
		case job == nil:
			err = p.problemAtLocked(st, bench, "There is no open job "+a.Job+".", "Take photos while the job is open.")
		case a.Step != "":
			if s, _ := job.Proc.Step(a.Step); s == nil {
				err = p.problemAtLocked(st, bench, "Job "+a.Job+" has no step "+a.Step+".", "Look for the step in the procedure.")
			}
		}
	})
	return err
}

func (p *Pages) problemAtLocked(st *rules.State, bench, text, todo string) error {
	e := &pageProblem{Status: http.StatusConflict, Text: text, Todo: todo, Back: "/", Name: "Overview"}
	if _, ok := (viewer{st: st}).knownBench(bench); ok {
		e.Back, e.Name = "/bench/"+url.PathEscape(bench), "Back to the bench"
	}
	return e
}

// readPhoto reads the form: short fields, and the file.
func (p *Pages) readPhoto(r *http.Request) (f form, data []byte, err error) {
	f = form{values: url.Values{}, missing: new([]string)}
	kind, params, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/form-data" {
		return f, nil, problem(http.StatusUnsupportedMediaType, "What was sent is no photo of these pages.", "Take it on the bench page.")
	}
	body := &io.LimitedReader{R: r.Body, N: mostPhotoDrain}
	parts := multipart.NewReader(body, params["boundary"])
	for {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return f, nil, p.unreadPhoto(f, body)
		}
		if part.FormName() == "photo" {
			if data, err = io.ReadAll(io.LimitReader(part, journal.MostPhoto+1)); err != nil {
				return f, nil, p.unreadPhoto(f, body)
			}
			if len(data) > journal.MostPhoto {
				_, _ = io.Copy(io.Discard, part) // so that the browser shows the answer
				return f, nil, p.tooLarge(f)
			}
			continue
		}
		b, err := io.ReadAll(io.LimitReader(part, mostPhotoFields))
		if err != nil || !isText(string(b)) {
			return f, nil, problem(http.StatusBadRequest, "The form could not be read.", "Go back to the page and send it again.")
		}
		f.values.Set(part.FormName(), string(b))
	}
	if len(data) == 0 {
		return f, nil, p.problemAt(f.get("bench"), http.StatusBadRequest, "No photo was chosen, or it is empty.", "Take it again.")
	}
	return f, data, nil
}

func (p *Pages) tooLarge(f form) error {
	return p.problemAt(f.get("bench"), http.StatusRequestEntityTooLarge, fmt.Sprintf("The photo is larger than %d MB.", mostPhotoMB),
		"Take it with a lower resolution: the camera's settings call it size or quality. Nothing was kept.")
}

func (p *Pages) unreadPhoto(f form, body *io.LimitedReader) error {
	if body.N <= 0 {
		return p.tooLarge(f)
	}
	return p.problemAt(f.get("bench"), http.StatusBadRequest, "The photo did not come through whole.", "Send it again. Nothing was kept.")
}

// checkPhoto decodes a photo whole, so that what is kept is surely one. Its size
// in pixels is looked at first: a small file can hold a picture that fills the
// memory.
func (p *Pages) checkPhoto(bench string, data []byte) (kind string, width, height int, err error) {
	bad := func(status int, text, todo string) (string, int, int, error) {
		return "", 0, 0, p.problemAt(bench, status, text, todo)
	}
	cfg, format, err := image.DecodeConfig(bytes.NewReader(data))
	// The library for plots brings readers of other forms along; they are not
	// for what comes from outside.
	if err != nil || format != "jpeg" && format != "png" && format != "gif" {
		return bad(http.StatusUnsupportedMediaType, "This file is no photo: "+guessFile(data)+".", "Send a JPEG, PNG or GIF. Phones that take HEIC have a setting for JPEG (most compatible). Nothing was kept.")
	}
	if cfg.Width <= 0 || cfg.Height <= 0 || int64(cfg.Width)*int64(cfg.Height) > mostPixels {
		return bad(http.StatusRequestEntityTooLarge, fmt.Sprintf("The photo has %d by %d pixels, more than %d million.", cfg.Width, cfg.Height, mostPixels/1_000_000),
			"Take it with a lower resolution. Nothing was kept.")
	}
	if _, _, err := image.Decode(bytes.NewReader(data)); err != nil {
		return bad(http.StatusUnsupportedMediaType, "The photo is damaged: "+err.Error()+".", "Take it again. Nothing was kept.")
	}
	return "image/" + format, cfg.Width, cfg.Height, nil
}

// guessFile says what a file seems to be.
func guessFile(data []byte) string {
	switch {
	case len(data) > 12 && string(data[4:8]) == "ftyp":
		return "it seems to be HEIC, AVIF or a film"
	case bytes.HasPrefix(data, []byte("%PDF")):
		return "it is a PDF"
	case bytes.HasPrefix(data, []byte("PK")):
		return "it is an archive or an office document"
	}
	return "it begins like " + http.DetectContentType(data)
}

// showPhoto answers GET /photos/{hash}. Only photos that a record names are
// given, only if they are whole, and so that no browser takes them for anything
// but a picture.
func (p *Pages) showPhoto(w http.ResponseWriter, r *http.Request) error {
	hash := r.PathValue("hash")
	if b, err := hex.DecodeString(hash); err != nil || len(b) != 32 || p.cfg.Photos == nil {
		return problem(http.StatusNotFound, "There is no such photo.", "Look for it in the job's record.")
	}
	known, err := p.cfg.Ledger.PhotoByHash(r.Context(), hash)
	if errors.Is(err, ledger.ErrUnknown) {
		return problem(http.StatusNotFound, "No record names a photo with the hash "+hash+".", "Look for it in the job's record.")
	}
	if err != nil {
		return err
	}
	data, err := p.cfg.Photos.Photo(r.Context(), hash)
	if err != nil {
		p.log.Error("show photo", "hash", hash, "job", known.Job, "err", err)
		return p.lostPhoto(&known, err)
	}
	h := w.Header()
	h.Set("Content-Type", known.Type)
	h.Set("Content-Disposition", `inline; filename="`+known.Photo+`"`)
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Cache-Control", "private, max-age=31536000, immutable") // the address is the hash of what it gives
	http.ServeContent(w, r, "", known.AtUs.Time(), bytes.NewReader(data))
	return nil
}

// lostPhoto says that a photo that the record names cannot be shown, and why.
func (p *Pages) lostPhoto(x *ledger.Photo, err error) error {
	e := &pageProblem{Status: http.StatusInternalServerError, Code: "photo_unreadable", Back: "/jobs/" + url.PathEscape(x.Job), Name: "The job's record",
		Text: fmt.Sprintf("Photo %s of job %s cannot be read: %v.", x.Photo, x.Job, err), Todo: "Try again. If it stays so, look at the journal's disk."}
	switch {
	case errors.Is(err, journal.ErrPhotoMissing):
		e.Status, e.Code = http.StatusGone, "photo_missing"
		e.Text = fmt.Sprintf("Photo %s of job %s is missing: the record names it, the store does not have it.", x.Photo, x.Job)
		e.Todo = "Put back a copy of the data directory that has it. The record keeps its hash, so that a copy can be proven to be the right one: " + x.Hash + "."
	case errors.Is(err, journal.ErrPhotoAltered):
		e.Code = "photo_altered"
		e.Text = fmt.Sprintf("Photo %s of job %s is not shown: what is in the store is not what was taken. It was altered or damaged.", x.Photo, x.Job)
		e.Todo = "Put back a copy of the data directory in which it is whole. The record keeps its hash: " + x.Hash + "."
	}
	return e
}

// photoView is a photo on a page.
type photoView struct {
	ID, Hash, Short, Note, By string
	Width, Height             int
}

func (v viewer) photos(job *rules.Job, step string) []photoView {
	var out []photoView
	for _, x := range job.Photos {
		if x.Step == step {
			out = append(out, photoView{x.Photo, x.Hash, x.Hash[:12], x.Note, v.personName(x.By) + ", " + clockTime(x.AtUs, v.now), x.Width, x.Height})
		}
	}
	return out
}
