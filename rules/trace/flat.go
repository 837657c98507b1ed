package trace

// Limits of a pull that gives way. The first figure is our choice: a fastener
// whose rotation goes on at a flat torque for three quarters as much again as
// it took from half the torque up has left its line by far. Found: see
// TestStationFlat.
const (
	flatShare = 0.75 // rotation beyond the straight line, over the one along it
	flatDeg   = 4.0  // and in degrees: more than run-on (1.75°, found) and play
	flatFrom  = 0.55 // of the peak. Found: knees of sound pulls lie up to 0.53
	flatLeast = 0.15 // of the peak that must be left to rise from there
	flatHold  = 0.45 // of the peak: below, the pull is let go
)

// flat looks for rotation that went on while the torque rose no more, or fell: a
// fastener that stretches or strips. The line is that of the first half of the
// torque from flatFrom on, or from where the fastener began to move; angles are
// those of the fastener alone, the wind-up of tool and joint taken off.
func (f *Features) flat(v *view, m *Swing) {
	if !(f.SpringDeg >= 0) || f.Codes&(NoRelease|Still|Empty) != 0 {
		return
	}
	last := m.PeakAt
	if f.Codes&Click == 0 { // the wrench breaks over, the fastener stays
		for i := m.PeakAt; i <= m.To && v.y(i) >= flatHold*m.PeakNm; i++ {
			if v.a(i) > v.a(last) {
				last = i
			}
		}
	}
	held := v.y(last) - max(0, f.ZeroEnd)
	if held <= 0 {
		return
	}
	wind := f.SpringDeg / held
	turn := func(i int) float64 { return v.a(i) - float64(wind*v.y(i)) }
	from := m.From
	for from < m.PeakAt && v.y(from) < startShare*m.PeakNm {
		from++
	}
	moved, started := from, turn(from)+stillDeg+float64(stillShare*f.SpringDeg)
	for moved < m.PeakAt && turn(moved) < started {
		moved++
	}
	start := max(flatFrom*m.PeakNm, v.y(moved))
	rise := m.PeakNm - start
	if rise < flatLeast*m.PeakNm {
		return
	}
	low := v.rises(max(from, moved), m.PeakAt, start)
	half := v.rises(low, m.PeakAt, start+rise/2)
	line := turn(half) - turn(low)
	f.FlatDeg = turn(last) - turn(half) - max(line, 0)
	if f.FlatDeg >= flatDeg && f.FlatDeg >= float64(2*flatShare*line) {
		f.Codes |= Flat
	}
}

// rises is the first sample from one on whose torque is at a level.
func (v *view) rises(from, to int, nm float64) int {
	for torque := v.torque[:to]; from < to && v.sign*torque[from] < nm; {
		from++
	}
	return from
}
