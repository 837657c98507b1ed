package trace

// Codes is a set of findings.
type Codes uint32

// The findings. The word in quotes is the code that events carry.
const (
	Empty         Codes = 1 << iota // "empty": no sample that can be used, or no torque at all
	Lengths                         // "lengths": lists of unlike length; cut to the shortest
	NotANumber                      // "not_a_number": samples left out
	TimeBackwards                   // "time_backwards": samples left out
	EqualTimes                      // "equal_times": more than one in twenty repeats the time before
	Gap                             // "gap": 50 ms or more, and five periods, without a sample
	Slow                            // "slow": below 100 Hz, the peak is not known to 2 %
	NoAngle                         // "no_angle": no rotation to judge
	AnglePart                       // "angle_part": angle missing in part; filled in, or not used where it is much
	AngleNegative                   // "angle_negative": rotation against the pull; its size is used
	NoZero                          // "no_zero": rests at more than a tenth of the target before or after the pull
	NoRelease                       // "no_release": ends above half its peak, so spring-back is not known
	Dip                             // "dip": torque down to half and back, no release
	Rehit                           // "several_swings": more than one swing in the trace
	StickSlip                       // "stick_slip": three or more teeth on the way up
	Slip                            // "slip": several equal teeth, torque gone in between: the bit slips
	Click                           // "click": drop of a break-over at the peak
	Yield                           // "yield": torque rate halves before the peak
	Strip                           // "strip": torque goes while the rotation goes on
	Still                           // "still": nothing but tool and joint wound up until just before the peak
	Flat                            // "flat": rotation goes on at a flat or falling torque
)

var codeNames = [...]string{
	"empty", "lengths", "not_a_number", "time_backwards", "equal_times", "gap", "slow", "no_angle", "angle_part", "angle_negative",
	"no_zero", "no_release", "dip", "several_swings", "stick_slip", "slip", "click", "yield", "strip", "still",
	"flat",
}

// Has tells whether all of d are among c.
func (c Codes) Has(d Codes) bool { return c&d == d }

// Strings gives the codes as events carry them; nil if there are none.
func (c Codes) Strings() []string {
	var s []string
	for i, name := range codeNames {
		if c&(1<<i) != 0 {
			s = append(s, name)
		}
	}
	return s
}
