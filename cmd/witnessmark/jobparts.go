package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/events"
	"witnessmark/events/ledger"
)

// partsCommands ask about kits, presses and photos, as the bench page does.
func partsCommands() []*cobra.Command {
	return []*cobra.Command{newJobScan(), newJobPart(), newJobPartUndo(), newJobPair(), newJobRecheck(), newJobPhoto()}
}

// required marks flags that must be given.
func required(c *cobra.Command, names ...string) {
	for _, n := range names {
		_ = c.MarkFlagRequired(n) // the flag is there
	}
}

func newJobScan() *cobra.Command {
	return jobVerb("scan JOB", "Give a parts step one line of a scanner: a part number, perhaps with lot or serial, or the lot or serial of the part before",
		"scan j-1042 --step kit --line 'U6-204 SN-00417' --by ines", "the line is taken for job %s",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			return events.PartScanned{Ask: a, Job: job, Step: flag(c, "step"), Text: flag(c, "line")}
		}, func(c *cobra.Command) {
			c.Flags().String("step", "", "id of the parts step")
			c.Flags().String("line", "", "the line as the scanner gives it")
			required(c, "step", "line")
		})
}

func newJobPart() *cobra.Command {
	return jobVerb("part JOB", "Answer a line of a kit by hand, or add to the part that was scanned last",
		"part j-1042 --step kit --part sleeve --condition re-used --attribute tooth=fine --by ines", "the part is taken for job %s",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			n, _ := c.Flags().GetInt("count")
			as, _ := c.Flags().GetStringArray("attribute")
			return events.PartAnswered{Ask: a, Job: job, Step: flag(c, "step"), Part: flag(c, "part"), Trace: flag(c, "trace"), Count: n,
				Condition: events.Condition(flag(c, "condition")), Attributes: keyValues(as)}
		}, func(c *cobra.Command) {
			c.Flags().String("step", "", "id of the parts step")
			c.Flags().String("part", "", "id of the line of the kit")
			c.Flags().String("trace", "", "lot or serial")
			c.Flags().Int("count", 0, "how many")
			c.Flags().String("condition", "", "new or re-used")
			c.Flags().StringArray("attribute", nil, "key=value, as often as needed")
			required(c, "step", "part")
		})
}

func newJobPartUndo() *cobra.Command {
	return jobVerb("part-undo JOB", "Take back what was recorded for a line of a kit", "part-undo j-1042 --step kit --part sleeve --reason 'the wrong sleeve' --by ines", "the line of job %s is open again",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			return events.PartUndoAsked{Ask: a, Job: job, Step: flag(c, "step"), Part: flag(c, "part"), Reason: flag(c, "reason")}
		}, func(c *cobra.Command) {
			c.Flags().String("step", "", "id of the parts step")
			c.Flags().String("part", "", "id of the line of the kit")
			c.Flags().String("reason", "", "why")
			required(c, "step", "part", "reason")
		})
}

func newJobPair() *cobra.Command {
	return jobVerb("pair JOB", "Tell the parts in hand before they are pressed together; refused if they are not those of the kit or do not match",
		"pair j-1042 --step hub --place H --hand sleeve,SN-00417,tooth=fine --hand hub,,tooth=fine --by ines", "job %s: they match, press",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			d := events.PressReadyAsked{Ask: a, Job: job, Step: flag(c, "step"), Place: flag(c, "place")}
			hands, _ := c.Flags().GetStringArray("hand")
			for _, h := range hands {
				f := strings.Split(h, ",")
				p := events.PartInHand{Part: f[0]}
				if len(f) > 1 {
					p.Trace, p.Attributes = f[1], keyValues(f[2:])
				}
				d.Parts = append(d.Parts, p)
			}
			return d
		}, func(c *cobra.Command) {
			c.Flags().String("step", "", "id of the press step")
			c.Flags().String("place", "", "id of the place")
			c.Flags().StringArray("hand", nil, "a part in hand: PART,LOT-OR-SERIAL,KEY=VALUE,…")
			required(c, "step", "place", "hand")
		})
}

func newJobRecheck() *cobra.Command {
	return jobVerb("recheck JOB", "Answer the question after a pressing", "recheck j-1042 --step pins --place P1 --good --answer '0.7 mm below' --by ines", "the re-check of job %s is recorded",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			good, _ := c.Flags().GetBool("good")
			return events.PressRechecked{Ask: a, Job: job, Step: flag(c, "step"), Place: flag(c, "place"), Good: good, Answer: flag(c, "answer")}
		}, func(c *cobra.Command) {
			c.Flags().String("step", "", "id of the press step")
			c.Flags().String("place", "", "id of the place")
			c.Flags().Bool("good", false, "it is right; without it the place is held for a lead")
			c.Flags().String("answer", "", "the figure, or words")
			required(c, "step", "place")
		})
}

func keyValues(list []string) []events.Attribute {
	var out []events.Attribute
	for _, s := range list {
		if k, v, ok := strings.Cut(s, "="); ok {
			out = append(out, events.Attribute{Key: k, Value: v})
		}
	}
	return out
}

func newJobPhoto() *cobra.Command {
	cmd := &cobra.Command{
		Use: "photo JOB FILE", Short: "Keep a photo with a job: JPEG, PNG or GIF, 16 MB at most",
		Long: `Sends a photo to the running service. It is decoded to make sure that it is one,
kept under its SHA-256 in the object store beside the journal, and named in the
job's record. It is confirmed once it is on disk.`,
		Example: "  witnessmark job photo j-1042 hub.jpg --step kit --note 'paint mark at 7:30' --by ines",
		Args:    cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			by, err := asker(c)
			if err != nil {
				return err
			}
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			return sendPhoto(c, cfg, args[1], map[string]string{"job": args[0], "by": by, "step": flag(c, "step"), "note": flag(c, "note")})
		},
	}
	addAskFlags(cmd)
	addConfigFlags(cmd, "listen")
	cmd.Flags().String("step", "", "id of the step that it belongs to; default: the unit as a whole")
	cmd.Flags().String("note", "", "what it shows")
	return cmd
}

func sendPhoto(c *cobra.Command, cfg config, file string, fields map[string]string) error {
	server := serverOf(c, cfg)
	client, err := clientOf(cfg, server)
	if err != nil {
		return err
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("read photo: %w", err)
	}
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for _, k := range []string{"job", "by", "step", "note"} {
		if err := w.WriteField(k, fields[k]); err != nil {
			return fmt.Errorf("write form: %w", err)
		}
	}
	part, err := w.CreateFormFile("photo", filepath.Base(file))
	if err == nil {
		_, err = part.Write(data)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		return fmt.Errorf("write form: %w", err)
	}
	q, err := http.NewRequestWithContext(c.Context(), http.MethodPost, server+"/photo", &b)
	if err != nil {
		return fmt.Errorf("ask %s: %w", server, err)
	}
	q.Header.Set("Content-Type", w.FormDataContentType())
	q.Header.Set("Accept", "application/json")
	var a struct {
		Seq           uint64
		SHA256, Photo string
	}
	if err := answerTo(client, q, server, &a); err != nil {
		return err
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), "photo %s is kept, SHA-256 %s (journal sequence %d)\n", a.Photo, a.SHA256, a.Seq)
	return err
}

// answerTo asks the service and reads its answer; the error of one that is not
// OK is what it says.
func answerTo(client *http.Client, q *http.Request, server string, to any) error {
	resp, err := client.Do(q)
	if err != nil {
		return fmt.Errorf("ask %s: %w; is 'witnessmark serve' running there?", server, err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
	if err != nil {
		return fmt.Errorf("read answer: %w", err)
	}
	if resp.StatusCode != http.StatusOK {
		var no struct{ Error, Todo string }
		if json.Unmarshal(text, &no) != nil || no.Error == "" {
			return fmt.Errorf("service answered %s", resp.Status)
		}
		return fmt.Errorf("%s %s", no.Error, no.Todo)
	}
	if err := json.Unmarshal(text, to); err != nil {
		return fmt.Errorf("read answer: %w", err)
	}
	return nil
}

// newParts tells from the ledger what went into units.
func newParts() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "parts",
		Short: "Tell which parts went into units: consumption, or where a lot or serial went",
		Long: `Without --with, the consumption by part number: how many new and re-used parts went
into how many jobs; lines that were taken back are left out. With --with, every job
that got parts of a lot, or the part with a serial: which units to call back.`,
		Example: "  witnessmark parts --from 2026-11-01\n  witnessmark parts --with FD1107",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			from, err := dayFlag(c, "from")
			if err != nil {
				return err
			}
			to, err := dayFlag(c, "to")
			if err != nil {
				return err
			}
			l, err := openLedger(c)
			if err != nil {
				return err
			}
			defer l.Close()
			if trace := flag(c, "with"); trace != "" {
				return tellTrace(c, l, trace, flag(c, "number"))
			}
			return tellUse(c, l, ledger.Span{From: from, To: to})
		},
	}
	addConfigFlags(cmd, "data")
	cmd.Flags().String("from", "", "first day, YYYY-MM-DD")
	cmd.Flags().String("to", "", "day after the last, YYYY-MM-DD")
	cmd.Flags().String("with", "", "a lot or serial")
	cmd.Flags().String("number", "", "with --with: this part number only")
	cmd.Flags().Bool("json", false, "as JSON")
	return cmd
}

func dayFlag(c *cobra.Command, name string) (events.Instant, error) {
	text := flag(c, name)
	if text == "" {
		return 0, nil
	}
	t, err := time.ParseInLocation(time.DateOnly, text, time.Local)
	if err != nil {
		return 0, usageError("--%s %q: want a day as YYYY-MM-DD", name, text)
	}
	return events.InstantOf(t), nil
}

func tellUse(c *cobra.Command, l *ledger.Ledger, s ledger.Span) error {
	use, err := l.PartsUsed(c.Context(), s)
	if err != nil {
		return err
	}
	if asJSON, _ := c.Flags().GetBool("json"); asJSON {
		return printJSON(c, use)
	}
	w := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "number\tname\tnew\tre-used\tjobs")
	for _, u := range use {
		fmt.Fprintf(w, "%s\t%s\t%d\t%d\t%d\n", u.Number, u.Name, u.New, u.Reused, u.Jobs)
	}
	return w.Flush()
}

func tellTrace(c *cobra.Command, l *ledger.Ledger, trace, number string) error {
	parts, err := l.PartsWith(c.Context(), trace, number)
	if err != nil {
		return err
	}
	if asJSON, _ := c.Flags().GetBool("json"); asJSON {
		return printJSON(c, parts)
	}
	if len(parts) == 0 {
		return fmt.Errorf("no job has parts with lot or serial %q", trace)
	}
	w := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "job\tnumber\tname\tcount\tcondition\tby\twhen\t")
	for _, p := range parts {
		note := ""
		if p.UndoneSeq != 0 {
			note = "taken back: " + p.UndoneReason
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%d\t%s\t%s\t%s\t%s\n", p.Job, p.Number, p.Name, p.Count, p.Condition, p.By, p.AtUs.Time().Local().Format("2006-01-02 15:04"), note)
	}
	return w.Flush()
}
