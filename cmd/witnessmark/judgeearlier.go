package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/gonum/stat"

	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// What the jobs before taught: 'witnessmark judge --earlier'.

// earlierJob is a stream that was judged first.
type earlierJob struct {
	File     string `json:"file"`
	Job      string `json:"job"` // under the id that it was judged by
	Pulls    int    `json:"pulls"`
	Alerts   int    `json:"alerts"`
	Released bool   `json:"released"`
	Why      string `json:"why"` // why it was not, and so taught nothing
}

// learnedPass is what is known of a pass of a joint before the job.
type learnedPass struct {
	Step    string   `json:"step"`
	Pass    string   `json:"pass"`
	Jobs    int      `json:"jobs"`       // that taught
	Pulls   int      `json:"pulls"`      // first pulls whose rotation is known
	Mean    *float64 `json:"mean_deg"`   // of those rotations; null: none
	Spread  *float64 `json:"spread_deg"` // their standard deviation; null: fewer than two
	Repeats int      `json:"repeats"`    // pulls at tight fasteners whose rotation is known
	Waits   int      `json:"waits"`      // times from one pull to the next that are known
}

// earlierJobs are the jobs before, and the state that they leave behind.
type earlierJobs struct {
	state    *rules.State
	proc     *procedure.Procedure
	jobs     []earlierJob
	learned  []learnedPass
	problems []lineNote
	warnings []lineNote
	ids      map[string]bool // in use
	begun    time.Time       // of the job before
}

// learnEarlier judges the streams of earlier jobs, in order, each as a job of
// its own. own is the file of the stream that is judged, nil if it is none: it
// is not learned from. The error is about what cannot be read at all; what is
// wrong in a stream is told of in the judgement.
func learnEarlier(ctx context.Context, proc *procText, names []string, own os.FileInfo, s *stream, strict bool) (*earlierJobs, error) {
	e := &earlierJobs{state: rules.New(), proc: proc.proc, ids: map[string]bool{s.head.job: true}}
	files, err := e.files(names, own)
	if err != nil {
		return nil, err
	}
	for _, file := range files {
		if err := e.judge(ctx, proc, file, strict); err != nil {
			return nil, err
		}
	}
	if len(files) > 0 && s.head.start.Before(e.begun) {
		e.warn(lineNote{Line: 1, Field: "start", Text: "the stream begins before the last of the earlier jobs", Todo: "give only jobs that were done before it"})
	}
	e.learned = learnedOf(e.state, proc.proc)
	return e, nil
}

// files lists what the names stand for, each file once.
func (e *earlierJobs) files(names []string, own os.FileInfo) ([]string, error) {
	var files []string
	var seen []os.FileInfo
	add := func(name string, info os.FileInfo) {
		switch same := func(x os.FileInfo) bool { return os.SameFile(x, info) }; {
		case own != nil && same(own):
			e.warn(lineNote{Line: 1, File: name, Text: "it is the stream that is judged", Todo: "it is not learned from"})
		case slices.ContainsFunc(seen, same):
			e.warn(lineNote{Line: 1, File: name, Text: "it was named before", Todo: "it is learned from once"})
		default:
			files, seen = append(files, name), append(seen, info)
		}
	}
	for _, name := range names {
		info, err := os.Stat(name)
		if err != nil {
			return nil, fmt.Errorf("read earlier stream: %w", err)
		}
		if !info.IsDir() {
			add(name, info)
			continue
		}
		list, err := filesOf(name)
		if err != nil {
			return nil, err
		}
		for _, file := range list {
			if info, err = os.Stat(file); err != nil {
				return nil, fmt.Errorf("read earlier stream: %w", err)
			}
			add(file, info)
		}
	}
	return files, nil
}

// filesOf lists a directory's streams in the order of their names.
func filesOf(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("read earlier streams: %w", err)
	}
	var files []string
	for _, x := range entries {
		if filepath.Ext(x.Name()) == ".jsonl" && !x.IsDir() {
			files = append(files, filepath.Join(dir, x.Name()))
		}
	}
	if len(files) == 0 {
		return nil, fmt.Errorf("read earlier streams: there is no file *.jsonl in %s", dir)
	}
	return files, nil
}

// judge judges one earlier stream. If it cannot be judged at all, that is a
// problem of its file, and the others go on.
func (e *earlierJobs) judge(ctx context.Context, proc *procText, file string, strict bool) error {
	in, err := os.Open(file)
	if err != nil {
		return fmt.Errorf("read earlier stream: %w", err)
	}
	defer in.Close()
	s, err := loadStream(ctx, in)
	if err == nil {
		e.name(s, file)
		var j *judgement
		if j, err = judgeStream(ctx, proc, s, streamOptions{State: e.state, StrictSteps: strict}); err == nil {
			e.note(j, file)
			return nil
		}
	}
	var note lineNote
	switch read := (*os.PathError)(nil); {
	case ctx.Err() != nil:
		return ctx.Err()
	case errors.As(err, &read):
		return fmt.Errorf("read earlier stream: %w", err)
	case !errors.As(err, &note):
		note = lineNote{Line: 1, Text: strings.ReplaceAll(err.Error(), "\n", ";")}
	}
	note.File, note.Count = file, 1
	note.Todo = strings.TrimPrefix(note.Todo+"; nothing was learned from this file", "; ")
	e.problems = append(e.problems, note)
	return nil
}

// name gives the job an id of its own, and looks at its place in time.
func (e *earlierJobs) name(s *stream, file string) {
	id := s.head.job
	for n := 2; e.ids[s.head.job]; n++ {
		s.head.job = fmt.Sprintf("%s.%d", id, n)
	}
	e.ids[s.head.job] = true
	if s.head.job != id {
		e.warn(lineNote{Line: 1, Field: "job.id", File: file, Text: fmt.Sprintf("another job has the id %q", id), Todo: fmt.Sprintf("judged as %q; give each job an id of its own", s.head.job)})
	}
	if s.head.start.Before(e.begun) {
		e.warn(lineNote{Line: 1, Field: "start", File: file, Text: "it begins before the earlier job that was named before it", Todo: "name the oldest first; judged in the order given"})
	}
	e.begun = s.head.start
}

// note keeps what is told of an earlier job.
func (e *earlierJobs) note(j *judgement, file string) {
	job := earlierJob{File: file, Job: j.Job.ID, Pulls: len(j.Pulls), Alerts: len(j.Alerts), Released: j.Release.Granted}
	if !job.Released {
		job.Why = j.Release.Text
	}
	e.jobs = append(e.jobs, job)
	for _, p := range j.Problems {
		p.File = file
		e.problems = append(e.problems, p)
	}
	for _, w := range j.Warnings {
		w.File = file
		e.warn(w)
	}
}

// warn notes what is strange, once for each field and text: what is strange in
// one stream of a tool is so in all.
func (e *earlierJobs) warn(n lineNote) {
	n.Count = max(n.Count, 1)
	for i := range e.warnings {
		if w := &e.warnings[i]; w.Field == n.Field && w.Text == n.Text && (w.File == "") == (n.File == "") {
			w.Count += n.Count
			return
		}
	}
	e.warnings = append(e.warnings, n)
}

// tell puts into a judgement what was before it.
func (e *earlierJobs) tell(j *judgement) {
	j.Earlier = append(j.Earlier, e.jobs...)
	j.Learned = append(j.Learned, e.learned...)
	j.Problems = append(j.Problems, e.problems...)
	j.Warnings = append(j.Warnings, e.warnings...)
}

// learnedOf tells what is known of each pass of each joint; nil if nothing is
// known of any.
func learnedOf(s *rules.State, p *procedure.Procedure) []learnedPass {
	var all []learnedPass
	known := false
	for i := range p.Steps {
		if p.Steps[i].Joint == nil {
			continue
		}
		for pass := range p.Steps[i].Joint.Passes {
			if p.Steps[i].Joint.Passes[pass].Closing {
				continue // it teaches nothing
			}
			l := learnedPass{Step: p.Steps[i].ID, Pass: passNameOf(p, p.Steps[i].ID, pass)}
			if k := s.Learned.Joint(rules.LearnKey(p, l.Step, pass)); k != nil {
				known = true
				l.Jobs, l.Pulls, l.Repeats, l.Waits = k.Jobs, len(k.Fresh.Values), len(k.Repeat.Values), len(k.Interval.Values)
				l.Mean, l.Spread = meanSpread(k.Fresh.Values)
			}
			all = append(all, l)
		}
	}
	if !known {
		return nil
	}
	return all
}

// meanSpread gives mean and standard deviation, nil where they are not defined.
func meanSpread(xs []float64) (mean, spread *float64) {
	m, sd := stat.MeanStdDev(xs, nil)
	if len(xs) > 0 {
		mean = new(math.Round(m*1000) / 1000)
	}
	if len(xs) > 1 {
		spread = new(math.Round(sd*1000) / 1000)
	}
	return mean, spread
}

func (j *judgement) writeEarlier(w io.Writer) {
	if len(j.Earlier) == 0 {
		return
	}
	released := 0
	for i := range j.Earlier {
		if j.Earlier[i].Released {
			released++
		}
	}
	table(w, fmt.Sprintf("Earlier jobs: %d, of which %d taught", len(j.Earlier), released), func(add func(...any)) {
		add("file", "job", "pulls", "alerts", "end")
		for _, x := range j.Earlier {
			end := "released"
			if !x.Released {
				end = "not released, taught nothing: " + x.Why
			}
			add(x.File, x.Job, x.Pulls, x.Alerts, end)
		}
	})
	if len(j.Learned) == 0 {
		fmt.Fprint(w, "\nLearned before this job: nothing\n")
		return
	}
	table(w, "Learned before this job, the newest values of each kind", func(add func(...any)) {
		add("step", "pass", "jobs", "first pulls that turned", "mean/deg", "spread/deg", "second pulls that turned", "waits")
		for _, l := range j.Learned {
			add(l.Step, dash(l.Pass), l.Jobs, l.Pulls, shownDeg(l.Mean), shownDeg(l.Spread), l.Repeats, l.Waits)
		}
	})
}

func shownDeg(v *float64) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.3g", *v)
}
