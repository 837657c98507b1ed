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
	one, two, three := "j-1 released axle ines", "j-2 abandoned gearbox tomas", "j-3 active axle ines"
	cases := []struct {
		name string
		ask  func() (any, error)
		want any
	}{
		{"all jobs, newest first", jobs(JobFilter{}), []string{three, two, one}},
		{"open jobs", jobs(JobFilter{Open: true}), []string{three}},
		{"released", jobs(JobFilter{Status: Released}), []string{one}},
		{"by bench", jobs(JobFilter{Bench: "gearbox"}), []string{two}},
		{"by unit", jobs(JobFilter{Unit: "RA-77120"}), []string{one}},
		{"one only", jobs(JobFilter{Limit: 1}), []string{three}},
		{"search", func() (any, error) { js, err := l.Search(ctx, "ra-7712", 0); return len(js), err }, 3},
		{"job figures", func() (any, error) {
			j, err := l.Job(ctx, "j-1")
			return words(j.Judged, j.OpenAlerts, j.BlockingAlerts, j.Title, j.EndedBy), err
		}, "5 2 1 Brackwater RA-210 maren"},
		{"tool in a span", func() (any, error) {
			rs, err := l.ReadingsByTool(ctx, "w1", Span{minute(6), minute(15)}, 0)
			return len(rs), err
		}, 2},
		{"tool ever", func() (any, error) { rs, err := l.ReadingsByTool(ctx, "w1", Span{}, 0); return len(rs), err }, 12},
		{"judged of a tool", func() (any, error) { gs, err := l.JudgementsByTool(ctx, "w1", Span{}); return len(gs), err }, 7},
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
		}, []string{"repeat_pull", "missed_fastener"}},
		{"open alerts", func() (any, error) { as, err := l.OpenAlerts(ctx); return len(as), err }, 3},
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
		}, []string{"d-w1 true 12 1 1 1 44.5 down", "d-i1 true 1 0 0 0 0.12 "}},
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
		{"what the pulls were", func() (any, error) {
			ws, err := l.WeightsOf(ctx, "j-3")
			var out []string
			for _, w := range ws {
				out = append(out, words(w.Best(), len(w.Changes), w.Placed, w.Lost))
			}
			return out, err
		}, []string{"{next 1 0.97} 0  0", "{repeat 1 0.99} 1  0", "{next 2 0.93} 0 2 1"}},
		{"a changed reading", func() (any, error) {
			ws, err := l.WeightsOf(ctx, "j-3")
			return words(ws[1].Changes[0].Was, ws[1].Changes[0].Is), err
		}, "{next 2 0.97} {repeat 1 0.9}"},
		{"sure now", func() (any, error) {
			ws, err := l.WitnessWeightsNow(ctx, "j-3")
			return words(len(ws), ws[0].Fasteners, ws[0].AllTight), err
		}, "1 [{1 0.995 reasoned} {2 0.93 counted}] 0.9"},
		{"sure when", func() (any, error) { ws, err := l.WitnessWeightsOf(ctx, "j-3"); return len(ws), err }, 2},
		{"set aside", func() (any, error) {
			as, err := l.AsideOf(ctx, "j-3")
			return words(len(as), as[0].Kind, as[0].Text, as[0].P, as[0].Fate == ""), err
		}, "1 repeat 26.3 0.9 true"},
		{"question", func() (any, error) {
			qs, err := l.QuestionsOf(ctx, "j-3")
			return words(len(qs), qs[0].Text, qs[0].Answer, qs[0].SettledBy, qs[0].Open()), err
		}, "1 Was that bolt 1 again? yes ines false"},
		{"residual torque", func() (any, error) {
			rs, err := l.ResidualsOf(ctx, "j-3")
			return words(len(rs), rs[0].Agrees, rs[0].Fastener), err
		}, "1 true 1"},
		{"likely", func() (any, error) {
			as, err := l.AlertsOf(ctx, "j-3")
			return words(as[0].Likely, as[0].P), err
		}, "[{2 0.07 } {1 0.005 }] 0.9"},
		{"readings of a weighed job", func() (any, error) { rs, err := l.ReadingsOf(ctx, "j-3"); return len(rs), err }, 4},
		{"totals", func() (any, error) {
			n, err := l.Totals(ctx)
			return words(n.Verdicts, n.Grades, n.Alerts, n.SetAside, n.Residuals, n.FramesRefused, n.RequestsRefused, n.OpenJobs, n.OpenAlerts, n.OpenUnplaced, n.OpenQuestions, n.Holes), err
		}, "map[doubtful:1 high:1 within:6] map[counted:3 placed:1 reasoned:3] map[high:1 missed_fastener:1 out_of_order:1 reading_lost:1 repeat_pull:1] map[repeat:1] map[agrees:1] map[checksum:1] map[not_in_closing:1 open_work:1] 1 3 1 0 0"},
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
