package rules

import (
	"crypto/sha256"

	"witnessmark/events"
)

// Shares is into how many shares facts are divided, so that several processes
// can decide them in turn. A job is in one share from its first day to its
// last. It may grow or shrink: nothing of it is stored.
const Shares = 32

// ShareOf returns the share that a fact is in, 0 to Shares-1, as s stands just
// before it. Share 0 is the shop's: all that no job is named in or meant by.
func ShareOf(s *State, e events.Entry) int {
	job := s.jobMeant(e.Data)
	if job == "" {
		return 0
	}
	sum := sha256.Sum256([]byte(job))
	return 1 + (int(sum[0])<<8|int(sum[1]))%(Shares-1)
}

// jobMeant returns the job that a fact is for: the one that it names, or else
// the one at its bench. "" if that is none.
func (s *State) jobMeant(d events.Data) string {
	switch d := d.(type) {
	case events.ReadingTaken:
		if d.Mode == events.ModeTyped && d.Job != "" {
			return d.Job
		}
		return s.BenchJob[d.Bench]
	case events.SamplesCaptured:
		return s.BenchJob[d.Bench]
	case events.ForceRising:
		return s.BenchJob[d.Bench]
	case events.CounterGapFound:
		return s.BenchJob[d.Bench]
	case events.LinkChanged:
		return s.BenchJob[d.Bench]
	case events.FrameRepeated:
		for i := range s.Shop.Devices {
			if s.Shop.Devices[i].ID == d.Device {
				return s.BenchJob[s.Shop.Devices[i].Bench]
			}
		}
	case events.ReadingDismissAsked:
		return s.Unplaced[d.Reading].Job
	case events.AlertAckAsked:
		return s.jobOfAlert(d.Alert)
	case events.AlertSettleAsked:
		return s.jobOfAlert(d.Alert)
	case events.Asker:
		return events.JobNamed(d)
	}
	return ""
}
