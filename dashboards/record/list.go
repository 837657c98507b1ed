package record

import (
	"bufio"
	"io"
	"strconv"

	"witnessmark/events/ledger"
)

// WriteJobs writes a list of jobs as plain text, a line each under a head.
func WriteJobs(w io.Writer, jobs []ledger.Job) error {
	p := &page{w: bufio.NewWriter(w)}
	if len(jobs) == 0 {
		p.line("no jobs")
		return p.w.Flush()
	}
	row := func(job, status, unit, proc, bench, who, readings, open, opened string) {
		p.line("%s %s %s %s %s %s %s %s %s", pad(job, 12), pad(status, 9), pad(unit, 14), pad(proc, 12), pad(bench, 10), pad(who, 8), pad(readings, 8), pad(open, 6), opened)
	}
	row("job", "status", "unit", "procedure", "bench", "who", "readings", "alerts", "opened (UTC)")
	for i := range jobs {
		j := &jobs[i]
		row(j.JobOpened.Job, j.Status, j.UnitSerial, j.Procedure+" "+j.Revision, j.BenchNow, j.Technician,
			strconv.Itoa(j.Judged), strconv.Itoa(j.OpenAlerts), clock(j.AtUs))
	}
	return p.w.Flush()
}
