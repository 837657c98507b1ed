package ledger

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestQueries asks the invented journal; wants are by hand from it.
func TestQueries(t *testing.T) {
	l := open(t, newPath(t))
	es := everything().stored(t)
	apply(t, l, es)
	ctx := t.Context()
	jobs := func(f JobFilter) func() (any, error) {
		return func() (any, error) {
			js, err := l.Jobs(ctx, f)
			var out []string
			for _, j := range js {
				out = append(out, fmt.Sprintf("%s %s %s %s", j.JobOpened.Job, j.Status, j.BenchNow, j.Technician))
			}
			return out, err
		}
	}
	one, two := "j-1 released axle ines", "j-2 abandoned gearbox tomas"
	cases := []struct {
		name string
		ask  func() (any, error)
		want any
	}{
		{"all jobs, newest first", jobs(JobFilter{}), []string{two, one}},
		{"open jobs", jobs(JobFilter{Open: true}), []string(nil)},
		{"released", jobs(JobFilter{Status: Released}), []string{one}},
		{"by bench", jobs(JobFilter{Bench: "gearbox"}), []string{two}},
		{"by unit", jobs(JobFilter{Unit: "RA-77120"}), []string{one}},
		{"one only", jobs(JobFilter{Limit: 1}), []string{two}},
		{"search", func() (any, error) { js, err := l.Search(ctx, "ra-7712", 0); return len(js), err }, 2},
		{"job figures", func() (any, error) {
			j, err := l.Job(ctx, "j-1")
			return words(j.Judged, j.OpenAlerts, j.BlockingAlerts, j.Title, j.EndedBy), err
		}, "5 2 1 Brackwater RA-210 maren"},
		{"tool in a span", func() (any, error) {
			rs, err := l.ReadingsByTool(ctx, "w1", Span{minute(6), minute(15)}, 0)
			return len(rs), err
		}, 2},
		{"tool ever", func() (any, error) { rs, err := l.ReadingsByTool(ctx, "w1", Span{}, 0); return len(rs), err }, 5},
		{"judged of a tool", func() (any, error) { gs, err := l.JudgementsByTool(ctx, "w1", Span{}); return len(gs), err }, 4},
		{"readings of a job", func() (any, error) { rs, err := l.ReadingsOf(ctx, "j-1"); return len(rs), err }, 6},
		{"fates of unplaced", func() (any, error) {
			us, err := l.UnplacedOf(ctx, "j-1")
			var out []string
			for _, u := range us {
				out = append(out, u.Fate+" "+u.FateBy+" "+u.FateReason)
			}
			return out, err
		}, []string{"claimed ines pulled before the job was back", "  "}},
		{"unplaced and open", func() (any, error) { us, err := l.UnplacedOpen(ctx); return len(us), err }, 1},
		{"newest alerts", func() (any, error) {
			as, err := l.Alerts(ctx, 2)
			var out []string
			for _, a := range as {
				out = append(out, string(a.Kind))
			}
			return out, err
		}, []string{"missed_fastener", "reading_lost"}},
		{"open alerts", func() (any, error) { as, err := l.OpenAlerts(ctx); return len(as), err }, 2},
		{"settled alert", func() (any, error) {
			as, err := l.AlertsOf(ctx, "j-1")
			return words(len(as), as[0].SeenBy, as[0].SettledBy, as[0].SettledHow), err
		}, "4 ines maren to be done again"},
		{"who was refused", func() (any, error) {
			rs, err := l.Refusals(ctx, "j-1")
			return words(rs[0].By, rs[0].Code, rs[0].Items), err
		}, "maren open_work [cover: bolt 3 end play]"},
		{"devices", func() (any, error) {
			ds, err := l.Devices(ctx)
			var out []string
			for _, d := range ds {
				link := ""
				if d.Link != nil {
					link = d.Link.State
				}
				out = append(out, words(d.ID, d.InShop, d.Readings, d.Refused, d.Repeated, d.Gaps, d.Last.Text, link))
			}
			return out, err
		}, []string{"d-w1 true 5 1 1 1 3.0 down", "d-i1 true 1 0 0 0 0.12 "}},
		{"shop of the first day", func() (any, error) {
			s, err := l.ShopAt(ctx, 10)
			return s.Tools[0].Due, err
		}, "2026-11-03"},
		{"shop now", func() (any, error) { s, err := l.ShopNow(ctx); return s.Tools[0].Due, err }, "2027-11-03"},
		{"shops in a job", func() (any, error) { ss, err := l.ShopsUntil(ctx, 7, 60); return len(ss), err }, 2},
		{"procedures", func() (any, error) {
			ps, err := l.ReleasedProcedures(ctx)
			return words(len(ps), ps[0].Revision, ps[0].Text), err
		}, "1 B "},
		{"samples", func() (any, error) {
			ss, err := l.SamplesOf(ctx, "d-i1", 0)
			return words(ss[0].Count, ss[0].Least.Float64, ss[0].Most.Float64), err
		}, "3 0.11 0.13"},
		{"totals", func() (any, error) {
			n, err := l.Totals(ctx)
			return words(n.Verdicts, n.Grades, n.Alerts, n.FramesRefused, n.RequestsRefused, n.OpenJobs, n.OpenAlerts, n.OpenUnplaced, n.Holes), err
		}, "map[doubtful:1 high:1 within:3] map[counted:3 placed:1] map[high:1 missed_fastener:1 out_of_order:1 reading_lost:1] map[checksum:1] map[open_work:1] 0 2 1 0"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got, err := c.ask()
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
	for name, err := range map[string]error{
		"job":       second(l.Job(ctx, "j-9")),
		"procedure": second(l.ProcedureText(ctx, "RA-210", "Z")),
		"reading":   second(l.Reading(ctx, 1)),
		"shop":      second(l.ShopAt(ctx, 1)),
	} {
		if !errors.Is(err, ErrUnknown) {
			t.Errorf("%s that is not there: error %v, want ErrUnknown", name, err)
		}
	}
}

// words writes values with a blank between each.
func words(vs ...any) string { return strings.TrimSuffix(fmt.Sprintln(vs...), "\n") }

func second[T any](_ T, err error) error { return err }
