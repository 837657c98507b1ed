package dashboards

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"time"

	"witnessmark/events/journal"
	"witnessmark/events/ledger"
)

// paperNamed finds the outside laboratory's certificate whose file has the hash
// that the address names.
func (p *Pages) paperNamed(r *http.Request) (hash string, c ledger.Certificate, err error) {
	hash = r.PathValue("hash")
	none := problem(http.StatusNotFound, "No certificate of an outside laboratory names a file with this hash.", "Choose one on the tool's page; 'witnessmark tool certificate' enters one.")
	if b, err := hex.DecodeString(hash); err != nil || len(b) != sha256.Size || p.cfg.Photos == nil {
		return hash, c, none
	}
	c, err = p.cfg.Ledger.CertificateByFile(r.Context(), hash)
	if errors.Is(err, ledger.ErrUnknown) {
		err = none
	}
	return hash, c, err
}

// takePaper answers PUT /papers/{hash}: the file of a certificate that was
// entered before. It is kept only if it is that file, so nothing lies in the
// store that no certificate names, and sending it again is harmless.
func (p *Pages) takePaper(w http.ResponseWriter, r *http.Request) error {
	_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(mostPhotoWait)) // not all writers can
	hash, c, err := p.paperNamed(r)
	if err != nil {
		return err
	}
	data, err := io.ReadAll(io.LimitReader(r.Body, journal.MostPhoto+1))
	switch {
	case err != nil:
		return problem(http.StatusBadRequest, "The file did not come through whole.", "Send it again. Nothing was kept.")
	case len(data) > journal.MostPhoto:
		return problem(http.StatusRequestEntityTooLarge, fmt.Sprintf("The file is larger than %d MB.", mostPhotoMB), "Scan it with a lower resolution and enter the certificate with that file. Nothing was kept.")
	}
	if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != hash {
		return problem(http.StatusConflict, fmt.Sprintf("This is not the file of certificate %s: that one has %d bytes and the SHA-256 %s, this one %d bytes and %x.", c.Certificate, c.FileSize, hash, len(data), sum),
			"Send the file that was entered. Nothing was kept.")
	}
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	if _, err := p.cfg.Photos.PutPhoto(ctx, data); err != nil {
		p.log.Error("keep certificate", "tool", c.Tool, "certificate", c.Certificate, "err", err)
		return problem(http.StatusServiceUnavailable, "The file was not kept: "+err.Error()+".", "Send it again. If this stays, call whoever looks after the service.")
	}
	return writeJSON(w, http.StatusOK, map[string]any{"ok": true, "certificate": c.Certificate, "sha256": hash, "bytes": len(data)})
}

// showPaper answers GET /papers/{hash}: the file of a certificate, whole and
// unaltered. Browsers are told to save it, never to run what it holds.
func (p *Pages) showPaper(w http.ResponseWriter, r *http.Request) error {
	hash, c, err := p.paperNamed(r)
	if err != nil {
		return err
	}
	data, err := p.cfg.Photos.Photo(r.Context(), hash)
	if err != nil {
		e := &pageProblem{Status: http.StatusInternalServerError, Code: "paper_unreadable", Back: "/tools/" + url.PathEscape(c.Tool), Name: "The tool",
			Text: fmt.Sprintf("The file of certificate %s cannot be read: %v.", c.Certificate, err), Todo: "Try again. If it stays so, look at the journal's disk."}
		again := fmt.Sprintf("Send it (%s, %d bytes) with 'witnessmark tool paper FILE': it is taken if its SHA-256 is %s.", c.File, c.FileSize, hash)
		switch {
		case errors.Is(err, journal.ErrPhotoMissing):
			e.Status, e.Code, e.Todo = http.StatusGone, "paper_missing", again
			e.Text = fmt.Sprintf("The file of certificate %s is not kept here; only its name, size and hash are.", c.Certificate)
		case errors.Is(err, journal.ErrPhotoAltered):
			e.Code, e.Todo = "paper_altered", again
			e.Text = fmt.Sprintf("The file of certificate %s is not given: what is in the store is not what was entered. It was altered or damaged.", c.Certificate)
		}
		return e
	}
	h := w.Header()
	h.Set("Content-Type", "application/octet-stream")
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": c.File}))
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Cache-Control", "private, max-age=31536000, immutable") // the address is the hash of what it gives
	http.ServeContent(w, r, "", c.AtUs.Time(), bytes.NewReader(data))
	return nil
}
