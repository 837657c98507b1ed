package calibration

import (
	"fmt"
	"time"
)

// A Period is how long a tool may be used between calibrations; a bound of 0 is
// none.
type Period struct {
	Months int
	Cycles int
}

// UsualPeriod is that of a shop with no rule of its own: 12 months or 5,000
// cycles, whichever is first. Source: ISO 6789-1:2017, 5.3 (from memory).
func UsualPeriod() Period { return Period{Months: 12, Cycles: 5000} }

// A Due is when a tool is due.
type Due struct {
	By         time.Time // the last day by the calendar; zero if no bound
	CyclesLeft int       // below zero if overrun; meaningless without a bound
	Expected   time.Time // the earlier of By and when the cycles run out at the rate so far; zero if neither is known
	Over       bool
	Why        string // by which bound it is over, in words; empty if it is not
}

// DueAt says when a tool is due that was last calibrated on last and has made
// cycles since. The day By itself is still good; the cycle after the last is not.
func (p Period) DueAt(last time.Time, cycles int, now time.Time) (Due, error) {
	if p.Months < 0 || p.Cycles < 0 || cycles < 0 || now.Before(last) {
		return Due{}, fmt.Errorf("due after %d months or %d cycles, %d cycles since %s: want nothing below zero, and a calibration that is not in the future", p.Months, p.Cycles, cycles, last.Format(day))
	}
	d := Due{CyclesLeft: p.Cycles - cycles}
	if p.Months > 0 {
		d.By = last.AddDate(0, p.Months, 0)
		d.Expected = d.By
		if now.After(d.By.AddDate(0, 0, 1).Add(-1)) {
			d.Over, d.Why = true, fmt.Sprintf("%d months were over on %s", p.Months, d.By.Format(day))
		}
	}
	if p.Cycles == 0 {
		return d, nil
	}
	if d.CyclesLeft < 0 {
		d.Over, d.Why = true, fmt.Sprintf("%d cycles are over by %d", p.Cycles, -d.CyclesLeft)
		return d, nil
	}
	if span := now.Sub(last); cycles > 0 && span > 0 {
		days := span.Hours() / 24 / float64(cycles) * float64(d.CyclesLeft)
		if days < 36500 {
			if out := now.Add(time.Duration(days * 24 * float64(time.Hour))); d.Expected.IsZero() || out.Before(d.Expected) {
				d.Expected = out
			}
		}
	}
	return d, nil
}
