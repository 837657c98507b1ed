package trace

// teeth counts drops on the way up (stick-slip) and looks whether torque came
// back after it was gone (a bit that slips). Of two neighbours the mean is
// taken: samples alternate.
func (f *Features) teeth(v *view, loosen bool) {
	drop, gone := toothShare*f.PeakNm, goneShare*f.PeakNm
	hi, lo, last := v.y(0), v.y(0), v.y(0)
	falling, small, big := false, 0, 0
	for i := range v.torque {
		x := v.y(i)
		y := (x + last) / 2
		last = x
		if !falling {
			hi = max(hi, y)
			if y < hi-drop {
				falling, lo = true, y
			}
			continue
		}
		lo = min(lo, y)
		if y <= lo+drop {
			continue
		}
		if i <= f.PeakAt && hi > f.LevelNm {
			small++
		}
		if hi >= gone && lo < hi/2 {
			big++
		}
		falling, hi = false, y
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
	for i := f.PeakAt + 1; i < f.Samples; i++ {
		y := v.y(i)
		lo = min(lo, y)
		if lo < gone && y > lo+rise && y > most {
			most = y
		}
	}
	f.LaterShare = most / f.PeakNm
}

// click looks for a break-over: within 50 ms of a torque of nine tenths of the
// peak it falls by 5 to 60 % in at most 15 ms and then holds or rises again for
// 15 ms before it is released. Assumed: no open set has such signatures.
func (f *Features) click(v *view, m *Swing) {
	i := m.PeakAt
	low, at := v.y(i), i
	for j := i + 1; j <= m.To && v.t(j)-v.t(i) <= 15e3; j++ {
		if y := v.y(j); y < low {
			low, at = y, j
		}
	}
	if low > 0.95*m.PeakNm || low < 0.4*m.PeakNm {
		return
	}
	for j := at + 1; j <= m.To; j++ {
		if v.y(j) < low-0.03*m.PeakNm {
			return
		}
		if v.t(j)-v.t(at) >= 15e3 {
			f.Codes |= Click
			return
		}
	}
}
