package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"witnessmark/simulator/labelled"
)

// matchReport is what 'bench matching' prints.
type matchReport struct {
	Note   string         `json:"note"`
	World  labelled.World `json:"world"`
	Seed   uint64         `json:"seed"`
	Jobs   int            `json:"jobs_each"`
	Faults []matchFault   `json:"faults"`
	Masked []matchBest    `json:"masked"`
	Clean  []matchClean   `json:"clean"`
}

// matchFault is one row: a fault, alone or with another, in one kind of tool.
type matchFault struct {
	Tier    labelled.Tier  `json:"tier"`
	Taught  bool           `json:"taught"`
	Fault   labelled.Fault `json:"fault"`
	Several bool           `json:"with_another"`
	Jobs    int            `json:"jobs"`
	Found   int            `json:"found"`
	Stopped int            `json:"release_refused"`
	Alone   int            `json:"named_alone"`
	Three   int            `json:"named_within_three"`
	Delay   int            `json:"median_delay_pulls"`
	Worst   int            `json:"worst_delay_pulls"`
	Counted int            `json:"found_by_counting"`
	MadeUp  bool           `json:"closing_round"` // what was left out was tightened in the closing round
	NoUnit  bool           `json:"no_unit"`       // a unit slip of a tool that tells no unit
	Silent  []string       `json:"silent"`        // jobs that were released without an alert that answers it
}

// matchBest compares the rules with the best possible on single masked misses
// without a closing round.
type matchBest struct {
	Tier      labelled.Tier `json:"tier"`
	Taught    bool          `json:"taught"`
	Jobs      int           `json:"jobs"`
	Found     float64       `json:"found"`
	Alone     float64       `json:"named_alone"`  // of those found
	Three     float64       `json:"within_three"` // of those found
	Best      float64       `json:"best_found"`   // at one false alarm in 1,000 clean jobs
	BestAlone float64       `json:"best_named_alone"`
	BestThree float64       `json:"best_within_three"`
	Counting  float64       `json:"counting_found"`
	// Level is the share of false alarms among clean jobs at which the best
	// possible finds as many as the rules do.
	Level float64 `json:"best_false_alarms_at_found"`
}

// matchClean is what happens in clean jobs.
type matchClean struct {
	Tier      labelled.Tier  `json:"tier"`
	Taught    bool           `json:"taught"`
	Jobs      int            `json:"jobs"`
	Alarmed   int            `json:"jobs_with_an_alert"`
	Alarms    []string       `json:"alerted"` // the jobs
	Missed    int            `json:"jobs_with_a_missed_or_repeat_alert"`
	Kinds     map[string]int `json:"alerts_by_kind"`
	Asked     int            `json:"jobs_with_a_question"`
	Questions int            `json:"questions"`
	Refused   int            `json:"release_refused"`
	NotSure   int            `json:"jobs_with_a_fastener_not_witnessed"`
	Counting  int            `json:"jobs_alarmed_by_counting"`
}

const matchNote = "All streams are invented. Best possible: the generator's own likelihoods, given also each reading's pass and the technician's pace, aim and habits; so a bound from above."

// score judges the streams of every tier, taught and not.
func (r *matchRun) score(ctx context.Context) (*matchReport, error) {
	fmt.Fprintf(r.progress, "matching: %d jobs for each kind of tool, taught and untaught each …\n", r.jobs)
	all, err := r.judge(ctx, r.units(labelled.Tiers()), func(c *matchCase) caseScore { return scoreCase(c, true) })
	if err != nil {
		return nil, err
	}
	out := &matchReport{Note: matchNote, World: r.world, Seed: r.seed, Jobs: r.jobs}
	for _, tier := range labelled.Tiers() {
		for _, taught := range []bool{true, false} {
			var part []caseScore
			for _, c := range all {
				if c.tier == tier && c.taught == taught {
					part = append(part, c)
				}
			}
			out.Clean = append(out.Clean, cleanRow(tier, taught, part))
			out.Masked = append(out.Masked, bestRow(tier, taught, part))
			out.Faults = append(out.Faults, faultRows(tier, taught, part)...)
		}
	}
	return out, nil
}

func cleanRow(tier labelled.Tier, taught bool, part []caseScore) matchClean {
	row := matchClean{Tier: tier, Taught: taught, Kinds: map[string]int{}, Alarms: []string{}}
	one := func(n *int, yes bool) {
		if yes {
			*n++
		}
	}
	for i := range part {
		c := &part[i]
		if !c.clean {
			continue
		}
		row.Jobs++
		row.Questions += c.questions
		if len(c.alarms) > 0 {
			row.Alarmed++
			row.Alarms = append(row.Alarms, c.job)
		}
		one(&row.Missed, slices.Contains(c.alarms, "missed_fastener") || slices.Contains(c.alarms, "repeat_pull"))
		one(&row.Asked, c.questions > 0)
		one(&row.Refused, c.refused)
		one(&row.NotSure, c.notSure > 0)
		one(&row.Counting, c.counted)
		for _, k := range c.alarms {
			row.Kinds[k]++
		}
	}
	return row
}

// falseAlarms is the share of clean jobs with a false alarm at which the best
// possible is held.
const falseAlarms = 0.001

// bestRow takes the threshold of the best possible from the masked misses
// themselves: of all jobs with a likelihood ratio above c, the share among
// clean ones is the mean over the others of 1/ratio.
func bestRow(tier labelled.Tier, taught bool, part []caseScore) matchBest {
	row := matchBest{Tier: tier, Taught: taught}
	var all []faultScore
	for i := range part {
		for _, f := range part[i].faults {
			if f.masked && !f.closing && !part[i].several {
				all = append(all, f)
			}
		}
	}
	row.Jobs = len(all)
	if row.Jobs == 0 {
		return row
	}
	slices.SortStableFunc(all, func(a, b faultScore) int { return cmp.Compare(b.ratio, a.ratio) })
	found, alone, three := 0, 0, 0
	for _, f := range all {
		if f.found {
			found++
			if f.alone {
				alone++
			}
			if f.three {
				three++
			}
		}
	}
	n := float64(row.Jobs)
	row.Found = float64(found) / n
	row.Alone, row.Three = share(alone, found), share(three, found)
	level, best, bestAlone, bestThree := 0.0, 0, 0, 0
	for k, f := range all {
		if f.ratio <= 0 {
			break
		}
		level += 1 / f.ratio / n
		if level <= falseAlarms {
			best++
			if f.topAlone {
				bestAlone++
			}
			if f.topThree {
				bestThree++
			}
		}
		if k < found {
			row.Level = level
		}
	}
	row.Best, row.BestAlone, row.BestThree = float64(best)/n, share(bestAlone, best), share(bestThree, best)
	return row
}

func share(n, of int) float64 {
	if of == 0 {
		return 0
	}
	return float64(n) / float64(of)
}

func faultRows(tier labelled.Tier, taught bool, part []caseScore) []matchFault {
	var rows []matchFault
	for _, several := range []bool{false, true} {
		for _, fault := range labelled.Faults() {
			for _, x := range []faultScore{{}, {closing: true}, {noUnit: true}, {closing: true, noUnit: true}} {
				if x.fault = fault; x.noUnit && fault != labelled.UnitSlip {
					continue
				}
				if row, any := faultRow(part, &x, several); any {
					row.Tier, row.Taught = tier, taught
					rows = append(rows, row)
				}
			}
		}
	}
	return rows
}

// faultRow counts the faults that are like one.
func faultRow(part []caseScore, like *faultScore, several bool) (row matchFault, any bool) {
	row = matchFault{Fault: like.fault, Several: several, MadeUp: like.closing, NoUnit: like.noUnit, Silent: []string{}}
	var delays []int
	for i := range part {
		for _, f := range part[i].faults {
			if f.fault != like.fault || part[i].several != several || f.closing != like.closing || f.noUnit != like.noUnit {
				continue
			}
			row.Jobs++
			if !f.found && !f.stopped && right[f.fault] != nil {
				row.Silent = append(row.Silent, part[i].job)
			}
			if f.stopped {
				row.Stopped++
			}
			if f.counted {
				row.Counted++
			}
			if !f.found {
				continue
			}
			row.Found++
			if right[f.fault] != nil {
				delays = append(delays, f.delay)
			}
			if f.alone {
				row.Alone++
			}
			if f.three {
				row.Three++
			}
		}
	}
	if slices.Sort(delays); len(delays) > 0 {
		row.Delay, row.Worst = delays[len(delays)/2], delays[len(delays)-1]
	}
	return row, row.Jobs > 0
}

func taughtWord(taught bool) string {
	return map[bool]string{true: "taught", false: "untaught"}[taught]
}

func (m *matchReport) write(w io.Writer) error {
	fmt.Fprintf(w, "%s\nThe %s world, seed %d, %d jobs for each kind of tool, taught and untaught each.\n\nClean jobs: how many have …\n", m.Note, m.World, m.Seed, m.Jobs)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "tool\tstate\tjobs\tan alert\tmissed or repeat\ta question\trelease refused\tnot witnessed\tcounting alarms\talerts by kind")
	for _, c := range m.Clean {
		var kinds []string
		for k, n := range c.Kinds {
			kinds = append(kinds, fmt.Sprintf("%s %d", k, n))
		}
		slices.Sort(kinds)
		fmt.Fprintf(t, "%s\t%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%s\n", c.Tier, taughtWord(c.Taught), c.Jobs, c.Alarmed, c.Missed, c.Asked, c.Refused, c.NotSure, c.Counting, strings.Join(kinds, ", "))
	}
	t.Flush()
	fmt.Fprint(w, "\nCount-masked misses, one a job, no closing round; best possible at 1 false alarm in 1,000 clean jobs\n")
	fmt.Fprintln(t, "tool\tstate\tjobs\tfound\tbest\tratio\tnamed alone\tbest\twithin three\tbest\tcounting\tbest's false alarms at as many found")
	for _, b := range m.Masked {
		ratio := 0.0
		if b.Best > 0 {
			ratio = b.Found / b.Best
		}
		fmt.Fprintf(t, "%s\t%s\t%d\t%.3f\t%.3f\t%.2f\t%.2f\t%.2f\t%.2f\t%.2f\t%.2f\t%.2g\n", b.Tier, taughtWord(b.Taught), b.Jobs, b.Found, b.Best, ratio, b.Alone, b.BestAlone, b.Three, b.BestThree, b.Counting, b.Level)
	}
	t.Flush()
	fmt.Fprint(w, "\nEach fault (for lost_repulled, same_cycle, elsewhere and retightened, where nothing is left out, found means: no alert that a fastener was missed)\n")
	fmt.Fprintln(t, "tool\tstate\tfault\tjobs\tfound\trelease refused\tnamed alone\twithin three\tdelay, pulls\tworst\tcounting\tsilent\t")
	for _, f := range m.Faults {
		name := string(f.Fault)
		if f.Several {
			name += " + another"
		}
		if f.NoUnit {
			name += ", no unit told"
		}
		if f.MadeUp {
			name += ", closing round"
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%.2f\t%.2f\t%.2f\t%.2f\t%d\t%d\t%.2f\t%d\t\n", f.Tier, taughtWord(f.Taught), name, f.Jobs, share(f.Found, f.Jobs), share(f.Stopped, f.Jobs),
			share(f.Alone, f.Jobs), share(f.Three, f.Jobs), f.Delay, f.Worst, share(f.Counted, f.Jobs), len(f.Silent))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprint(w, "\nClean jobs with an alert\n")
	for _, c := range m.Clean {
		if len(c.Alarms) > 0 {
			fmt.Fprintf(t, "%s\t%s\t%s\n", c.Tier, taughtWord(c.Taught), strings.Join(c.Alarms, ", "))
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprint(w, "\nSilent: released, and no alert answered the fault\n")
	for _, f := range m.Faults {
		if len(f.Silent) > 0 && !f.Fault.Masked() {
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", f.Tier, taughtWord(f.Taught), f.Fault, strings.Join(f.Silent, ", "))
		}
	}
	return t.Flush()
}
