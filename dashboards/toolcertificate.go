package dashboards

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"witnessmark/dashboards/certificate"
	"witnessmark/events/ledger"
	"witnessmark/rules"
)

// certificate gives the certificate of a calibration as PDF:
// /tools/{tool}/calibrations/{calibration}.pdf.
func (p *Pages) certificate(w http.ResponseWriter, r *http.Request) error {
	tool := r.PathValue("tool")
	none := &pageProblem{Status: http.StatusNotFound, Text: "There is no such certificate.", Todo: "Choose one on the tool's page.", Back: "/tools/" + url.PathEscape(tool), Name: "The tool"}
	id, isPDF := strings.CutSuffix(r.PathValue("file"), ".pdf")
	if !isPDF {
		return none
	}
	c, err := p.cfg.Ledger.Calibration(r.Context(), id)
	if errors.Is(err, ledger.ErrUnknown) || err == nil && c.Tool != tool {
		return none
	}
	if err != nil {
		return err
	}
	in := certificate.Input{Calibration: c.CalibrationJudged, Seq: c.Seq, Issued: p.now()}
	in.Tool.ID = tool
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		in.Shop, in.By, in.Bench = st.Shop.Name, v.personName(c.By), v.benchName(c.Bench)
		for _, t := range st.Shop.Tools {
			switch t.ID {
			case c.Tool:
				in.Tool = t
			case c.Reference:
				in.Reference = t
			}
		}
	})
	cert := certificate.Make(in)
	var b bytes.Buffer
	if err := cert.WritePDF(&b); err != nil {
		return fmt.Errorf("write certificate %s: %w", id, err)
	}
	h := w.Header()
	h.Set("Content-Type", "application/pdf")
	h.Set("Content-Disposition", "inline")
	h.Set("Cache-Control", "no-store")
	_, _ = w.Write(b.Bytes()) // the client has gone if this fails
	return nil
}
