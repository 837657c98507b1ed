package drift

import (
	"errors"
	"fmt"
	"math"
)

// Slow is how a healthy standard varies: quickly, from reading to reading, and
// slowly, with a memory that fades as exp(−Δ/Tau). Real check standards are not
// white noise; limits from the quick part alone alarm on healthy ones.
//
// It is a first-order autoregressive process seen through noise, with uneven
// times allowed. Estimated by the likelihood of its one-step predictions (Kalman
// filter), mean and total variance solved for at each trial of share and memory.
// Our own choice; ISO 7870-9 (from memory) widens limits for the same reason.
type Slow struct {
	Mean  float64
	UMean float64 // standard uncertainty of the mean, slow part allowed for
	Quick float64 // standard deviation of the quick part
	Drift float64 // standard deviation of the slow part; 0 if none shows
	Tau   float64 // memory of the slow part, in units of time
	Gain  float64 // log likelihood above that of white noise
}

// SD is the standard deviation of a reading, quick and slow together.
func (s Slow) SD() float64 { return math.Hypot(s.Quick, s.Drift) }

// LongRun is the standard deviation that sums of many readings taken step apart
// seem to have been made from: the slow part counts (1+φ)/(1−φ)-fold. A CUSUM
// must be scaled by it.
func (s Slow) LongRun(step float64) float64 {
	if s.Drift == 0 {
		return s.Quick
	}
	phi := math.Exp(-step / s.Tau)
	return math.Sqrt(s.Quick*s.Quick + s.Drift*s.Drift*(1+phi)/(1-phi))
}

// ErrHistory says that a history is too short or not in order.
var ErrHistory = errors.New("history cannot be used")

// LeastHistory is how many readings an estimate of slow variation wants.
const LeastHistory = 12

// EstimateSlow finds the quick and the slow part in a history that is believed
// to be healthy. at are times in any unit, rising. The slow part is kept if it
// raises the log likelihood by more than 2, one for each of its two parameters
// (Akaike 1974). Its memory is sought up to half of the history's length:
// longer ones cannot be told from a drift.
func EstimateSlow(at, x []float64) (Slow, error) {
	if err := inOrder(at, x, LeastHistory); err != nil {
		return Slow{}, err
	}
	white := likelihood(at, x, 0, 1)
	best, bestShare, bestTau := white, 0.0, 1.0
	length := at[len(at)-1] - at[0]
	if length > 0 && white.sd > 0 {
		lo, hi := math.Log(length/float64(len(at))/2), math.Log(length/2)
		from, to := 0.0, 1.0
		for range 4 { // each round looks closer about the best
			lo2, hi2, from2, to2 := lo, hi, from, to
			for i := range 13 {
				for j := range 13 {
					share := min(0.999, from+(to-from)*float64(i)/12)
					tau := math.Exp(lo + (hi-lo)*float64(j)/12)
					if l := likelihood(at, x, share, tau); l.log > best.log {
						best, bestShare, bestTau = l, share, tau
						from2, to2 = max(0, share-(to-from)/8), min(1, share+(to-from)/8)
						lo2, hi2 = max(lo, math.Log(tau)-(hi-lo)/8), min(hi, math.Log(tau)+(hi-lo)/8)
					}
				}
			}
			lo, hi, from, to = lo2, hi2, from2, to2
		}
	}
	gain := best.log - white.log
	if gain <= 2 {
		best, bestShare = white, 0
	}
	return Slow{Mean: best.mean, UMean: best.umean, Quick: best.sd * math.Sqrt(1-bestShare), Drift: best.sd * math.Sqrt(bestShare), Tau: bestTau, Gain: gain}, nil
}

func inOrder(at, x []float64, least int) error {
	if len(at) != len(x) || len(x) < least {
		return fmt.Errorf("%w: %d readings at %d times; want at least %d of both", ErrHistory, len(x), len(at), least)
	}
	for i := range x {
		if math.IsNaN(x[i]+at[i]) || math.IsInf(x[i]+at[i], 0) {
			return fmt.Errorf("%w: reading %d (%v at %v) is not a number", ErrHistory, i+1, x[i], at[i])
		}
		if i > 0 && at[i] < at[i-1] {
			return fmt.Errorf("%w: reading %d is earlier than the one before; sort by time", ErrHistory, i+1)
		}
	}
	return nil
}

type fitted struct{ log, mean, umean, sd float64 }

// likelihood runs the filter over the readings and over a column of ones at
// once, in units of the total variance: the mean is their least-squares ratio.
func likelihood(at, x []float64, share, tau float64) fitted {
	var sxx, sx1, s11, logdet float64
	var mx, m1 float64 // predicted slow part, for the readings and for ones
	p := share         // its variance
	for i := range x {
		if i > 0 {
			phi := math.Exp(-(at[i] - at[i-1]) / tau)
			mx, m1, p = phi*mx, phi*m1, phi*phi*p+share*(1-phi*phi)
		}
		f := p + 1 - share
		ex, e1 := x[i]-mx, 1-m1
		sxx, sx1, s11, logdet = sxx+ex*ex/f, sx1+ex*e1/f, s11+e1*e1/f, logdet+math.Log(f)
		gain := p / f
		mx, m1, p = mx+gain*ex, m1+gain*e1, p*(1-gain)
	}
	n := float64(len(x))
	mean := sx1 / s11
	variance := max(0, sxx-sx1*mean) / (n - 1)
	return fitted{log: -0.5 * ((n-1)*math.Log(variance) + logdet + math.Log(s11)), mean: mean, umean: math.Sqrt(variance / s11), sd: math.Sqrt(variance)}
}
