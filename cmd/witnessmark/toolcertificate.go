package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/rules"
)

func newToolCertificate() *cobra.Command {
	cmd := toolVerb("certificate TOOL", "Enter the certificate of an outside laboratory, with its points and its file",
		"certificate k2-07 --number L-4471 --laboratory 'an accredited laboratory' --date 2026-11-20 --phase left --points points.csv --file L-4471.pdf --by petra", "the certificate of %s is entered",
		func(c *cobra.Command, a events.Ask, tool string) (events.Asker, error) {
			d := events.CertificateAsked{Ask: a, Tool: tool, Certificate: flag(c, "number"), Laboratory: flag(c, "laboratory"), Date: flag(c, "date"), Due: flag(c, "due"),
				Phase: events.Phase(flag(c, "phase")), Standing: events.Standing(flag(c, "standing"))}
			d.K, _ = c.Flags().GetFloat64("k")
			var err error
			if name := flag(c, "points"); name != "" {
				if d.Results, err = readPoints(name); err != nil {
					return nil, err
				}
			}
			if name := flag(c, "file"); name != "" {
				d.File = filepath.Base(name)
				if d.FileHash, d.FileSize, err = hashFile(name); err != nil {
					return nil, err
				}
			}
			return d, nil
		}, func(c *cobra.Command) {
			c.Flags().String("number", "", "number of the certificate")
			c.Flags().String("laboratory", "", "who issued it")
			c.Flags().String("date", "", "date of the calibration, YYYY-MM-DD")
			c.Flags().String("due", "", "last day of use, YYYY-MM-DD; default: by the tool's interval")
			c.Flags().String("phase", "found", "found (as it came from work) or left (after it was adjusted)")
			c.Flags().String("standing", "", "good, doubt or bad, as it says; default: by its points, with a guard band w = U")
			c.Flags().Float64("k", 2, "coverage factor of its uncertainties")
			c.Flags().String("points", "", "CSV file of its points, see above")
			c.Flags().String("file", "", "the certificate itself, 16 MB at most; it is kept")
			needs(c, "number", "laboratory", "date")
		})
	enter := cmd.RunE
	cmd.RunE = func(c *cobra.Command, args []string) error {
		name := flag(c, "file")
		if name != "" {
			if info, err := os.Stat(name); err == nil && info.Size() > journal.MostPhoto {
				return fmt.Errorf("%s has %d bytes, more than the %d MB that are kept: scan it with a lower resolution; nothing was entered", name, info.Size(), journal.MostPhoto>>20)
			}
		}
		if err := enter(c, args); err != nil || name == "" {
			return err
		}
		if err := sendPaper(c, name); err != nil {
			return fmt.Errorf("the certificate is entered, but its file is not kept: %w; 'witnessmark tool paper %s' sends it again", err, name)
		}
		return nil
	}
	cmd.Long = `Enters the certificate of an outside laboratory. --points names a CSV file with
the columns point, direction, n, deviation, u, permitted; direction and n may stay
empty. A point has its unit; the figures are in % of the reference for a torque
tool, in mm for an indicator:

  point,direction,n,deviation,u,permitted
  20 N·m,cw,5,0.42,0.5,4

--file names the certificate itself, of 16 MB at most. It is kept in the object
store beside the journal, and its name, size and SHA-256 in the journal, so that
anyone can see later that it is the same file. The tool's page gives it back.`
	return cmd
}

func newToolPaper() *cobra.Command {
	cmd := &cobra.Command{
		Use: "paper FILE", Short: "Send the file of a certificate that was entered before",
		Long: `Sends the file of an outside laboratory's certificate to the running service, where
it was not kept with 'tool certificate --file', or was lost since. It is taken if
its SHA-256 is the one that was entered.`,
		Example: "  witnessmark tool paper L-4471.pdf",
		Args:    cobra.ExactArgs(1),
		RunE:    func(c *cobra.Command, args []string) error { return sendPaper(c, args[0]) },
	}
	cmd.Flags().String("server", "", "address of the running service; default: http:// and the setting listen")
	addConfigFlags(cmd, "listen")
	return cmd
}

// sendPaper sends the file of a certificate that was entered.
func sendPaper(c *cobra.Command, name string) error {
	cfg, err := loadConfig(c)
	if err != nil {
		return err
	}
	server := serverOf(c, cfg)
	client, err := clientOf(cfg, server)
	if err != nil {
		return err
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return fmt.Errorf("read certificate: %w", err)
	}
	sum := sha256.Sum256(data)
	q, err := http.NewRequestWithContext(c.Context(), http.MethodPut, server+"/papers/"+hex.EncodeToString(sum[:]), bytes.NewReader(data))
	if err != nil {
		return fmt.Errorf("ask %s: %w", server, err)
	}
	q.Header.Set("Content-Type", "application/octet-stream")
	q.Header.Set("Accept", "application/json")
	var a struct{ Certificate, SHA256 string }
	if err := answerTo(client, q, server, &a); err != nil {
		return err
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), "the file of certificate %s is kept, SHA-256 %s\n", a.Certificate, a.SHA256)
	return err
}

// readPoints reads the points of a certificate. Errors name file and line.
func readPoints(name string) ([]events.CalibrationResult, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("read points: %w", err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.TrimLeadingSpace = true
	head, err := r.Read()
	if err != nil || !slices.Equal(head, rules.CertificateColumns[:]) {
		return nil, fmt.Errorf("read points %s: want the columns %s", name, strings.Join(rules.CertificateColumns[:], ","))
	}
	var out []events.CalibrationResult
	for {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, fmt.Errorf("read points %s: %w", name, err)
		}
		line, _ := r.FieldPos(0)
		p, err := readPoint(row)
		if err != nil {
			return nil, fmt.Errorf("read points %s: line %d: %w", name, line, err)
		}
		out = append(out, p)
	}
}

func readPoint(row []string) (events.CalibrationResult, error) {
	p, wrong := rules.CertificatePoint([len(rules.CertificateColumns)]string(row))
	if len(wrong) == 0 {
		return p, nil
	}
	texts := make([]string, len(wrong))
	for i, f := range wrong {
		texts[i] = f.Text
	}
	return p, errors.New(strings.Join(texts, "; "))
}

// hashFile returns the SHA-256 of a file, in hexadecimal, and its size in bytes.
func hashFile(name string) (hash string, size int64, err error) {
	f, err := os.Open(name)
	if err != nil {
		return "", 0, fmt.Errorf("read certificate: %w", err)
	}
	defer f.Close()
	h := sha256.New()
	if size, err = io.Copy(h, f); err != nil {
		return "", 0, fmt.Errorf("read certificate: %w", err)
	}
	return hex.EncodeToString(h.Sum(nil)), size, nil
}
