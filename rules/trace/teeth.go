package trace

// teeth counts drops on the way up (stick-slip) and looks whether torque came
// back after it was gone (a bit that slips). Of two neighbours the mean is
// taken: samples alternate.
func (f *Features) teeth(v *view, start float64, loosen bool) {
	drop, gone := toothShare*f.PeakNm, goneShare*f.PeakNm
	first := 0
	if n := f.Swings; n > 0 && start <= gone {
		first = f.Swing[0].From // before it was no swing so high
	}
	for v.sign*v.torque[first] < gone { // the peak is above it
		first++
	}
	hi := v.y(first)
	lo, last := hi, hi
	falling, small, big := false, 0, 0
	for i, x := range v.torque[first:] {
		x *= v.sign
		y := (x + last) / 2
		last = x
		switch {
		case !falling && y >= hi-drop:
			if y > hi {
				hi = y
			}
		case !falling:
			falling, lo = true, y
		case y <= lo+drop:
			if y < lo {
				lo = y
			}
		default:
			if first+i <= f.PeakAt && hi > f.LevelNm {
				small++
			}
			if hi >= gone && lo < hi/2 {
				big++
			}
			falling, hi = false, y
		}
	}
	f.Teeth = small
	if small >= stickTeeth {
		f.Codes |= StickSlip
	}
	f.later(v)
	if f.LaterShare >= goneShare && (loosen || f.Swings <= 1) {
		f.Codes |= Slip
		f.Teeth = max(f.Teeth, big+1)
	}
}

// later is the highest torque after the peak had gone to below two fifths, that
// rose by a tenth again, as a share of the peak: the next tooth.
func (f *Features) later(v *view) {
	gone, rise := goneTooth*f.PeakNm, startShare*f.PeakNm
	most, lo := 0.0, f.PeakNm
	for _, y := range v.torque[f.PeakAt+1:] {
		y *= v.sign
		if y < lo {
			lo = y
		} else if y > most && y > lo+rise && lo < gone {
			most = y
		}
	}
	f.LaterShare = most / f.PeakNm
}

// click looks for a break-over: from the peak torque falls by 5 to 60 % in at
// most 15 ms, the rotation runs on by 1° or more meanwhile, and then torque
// holds or rises again for 15 ms. Without an angle it must not rise to the peak
// again, or else it was a dip. Assumed: no open set has such signatures.
func (f *Features) click(v *view, m *Swing) {
	low, at := m.PeakNm, m.PeakAt
	for j := at + 1; j <= m.To && v.t(j)-v.t(m.PeakAt) <= 15e3; j++ {
		if y := v.y(j); y < low {
			low, at = y, j
		}
	}
	if low > 0.95*m.PeakNm || low < 0.4*m.PeakNm {
		return
	}
	if v.angle != nil && v.ahead(m.PeakAt, at) < backDeg {
		return
	}
	for j := at + 1; j <= m.To; j++ {
		y := v.y(j)
		if y < low-0.03*m.PeakNm || v.angle == nil && y > 0.95*m.PeakNm {
			return
		}
		if v.t(j)-v.t(at) >= 15e3 {
			f.Codes |= Click
			return
		}
	}
}

// ahead is how far the rotation goes on between two samples.
func (v *view) ahead(i, j int) float64 { return v.a(j) - v.a(i) }
