package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/dashboards/certificate"
	"witnessmark/events"
	"witnessmark/events/ledger"
)

func newToolPDF() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "pdf CALIBRATION",
		Short: "Write the certificate of a calibration that was done here, as PDF",
		Long: `Writes the certificate of a calibration that was judged in this shop, the same
that the tool's page offers: results, both decision limits, the uncertainty budget.
'witnessmark tool show TOOL' lists the calibrations by their ids. It is made from
the ledger, so it can be written again at any time. No accreditation is claimed.
A file that is there is not written over.`,
		Example: "  witnessmark tool pdf C-k2-07-20261128-1 --to k2-07.pdf",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			l, err := openLedger(c)
			if err != nil {
				return err
			}
			defer l.Close()
			var in certificate.Input
			err = l.AtOnce(c.Context(), func(q *ledger.Queries) error {
				in, err = certificateInput(c, q, args[0])
				return err
			})
			if err != nil {
				return err
			}
			var pdf bytes.Buffer
			cert := certificate.Make(in)
			if err := cert.WritePDF(&pdf); err != nil {
				return fmt.Errorf("write certificate %s: %w", args[0], err)
			}
			to := flag(c, "to")
			if to == "" {
				to = args[0] + ".pdf"
			}
			if err := writeNew(to, pdf.Bytes()); err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "the certificate of calibration %s is in %s\n", args[0], to)
			return err
		},
	}
	cmd.Flags().String("to", "", "file to write; default: the calibration's id with .pdf, here")
	addConfigFlags(cmd, "data")
	return cmd
}

// certificateInput is what the ledger knows of a calibration. Names are those of
// the shop file now; a tool that has left it is named by its id.
func certificateInput(c *cobra.Command, q *ledger.Queries, id string) (certificate.Input, error) {
	cal, err := q.Calibration(c.Context(), id)
	if errors.Is(err, ledger.ErrUnknown) {
		return certificate.Input{}, fmt.Errorf("no calibration %q was judged here; 'witnessmark tool show TOOL' lists those of a tool", id)
	}
	if err != nil {
		return certificate.Input{}, err
	}
	in := certificate.Input{Calibration: cal.CalibrationJudged, Seq: cal.Seq, Issued: time.Now(), By: cal.By, Bench: cal.Bench, Tool: events.Tool{ID: cal.Tool}}
	shop, err := q.ShopNow(c.Context())
	if errors.Is(err, ledger.ErrUnknown) {
		return in, nil
	}
	if err != nil {
		return in, err
	}
	in.Shop = shop.Name
	for _, p := range shop.People {
		if p.ID == cal.By {
			in.By = p.Name
		}
	}
	for _, b := range shop.Benches {
		if b.ID == cal.Bench {
			in.Bench = b.Name
		}
	}
	for _, t := range shop.Tools {
		switch t.ID {
		case cal.Tool:
			in.Tool = t
		case cal.Reference:
			in.Reference = t
		}
	}
	return in, nil
}

// writeNew writes a file that must not be there yet; nothing of it stays if it
// cannot be written whole.
func writeNew(name string, b []byte) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("write %s: it is there already; move it away, or name another file with --to", name)
	}
	if err != nil {
		return fmt.Errorf("write certificate: %w", err)
	}
	_, err = f.Write(b)
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		os.Remove(name)
		return fmt.Errorf("write certificate: %w", err)
	}
	return nil
}
