package labelled

// Tier says what the tool tells with each pull.
type Tier string

// The tiers.
const (
	Torque Tier = "torque" // torque alone
	Angle  Tier = "angle"  // torque, rotation and duration
	Trace  Tier = "trace"  // the whole pull
)

// Tiers lists them, from the least telling.
var tiers = []Tier{Torque, Angle, Trace}

// Tiers returns the tiers, from the least telling.
func Tiers() []Tier { return append([]Tier(nil), tiers...) }

// Fault names what went wrong in a job.
type Fault string

// The faults.
const (
	PlainMiss     Fault = "plain_miss"     // one fastener never pulled: the count is short
	MaskedTwice   Fault = "masked_twice"   // one pulled twice at once, the next one never
	MaskedLost    Fault = "masked_lost"    // the place lost: one pulled again, another never
	MaskedCounted Fault = "masked_counted" // one pulled again, the last one never, since the count was right
	OrderError    Fault = "order_error"    // two far apart in the order exchanged
	WrongStep     Fault = "wrong_step"     // the next step done first
	LeftEarly     Fault = "left_early"     // two or more left when work went on
	UnitSlip      Fault = "unit_slip"      // the right number in the wrong unit
	OverTorque    Fault = "over_torque"    // one pulled beyond its limits
	UnderTorque   Fault = "under_torque"   // one left below its limits
	Seized        Fault = "seized"         // cross-threaded or bottomed: torque with too little rotation
	Stripping     Fault = "stripping"      // rotation without torque
	LostReading   Fault = "lost_reading"   // one reading never arrived
	LostRepulled  Fault = "lost_repulled"  // one never arrived, and the fastener was pulled again for it
	SameCycle     Fault = "same_cycle"     // one cycle sent twice
	Elsewhere     Fault = "elsewhere"      // a pull on a checker or in a vice
	Retightened   Fault = "retightened"    // loosened on purpose and tightened again
	ZeroShift     Fault = "zero_shift"     // the tool's zero is off through the whole job
)

// Faults returns all of them.
func Faults() []Fault {
	return []Fault{PlainMiss, MaskedTwice, MaskedLost, MaskedCounted, OrderError, WrongStep, LeftEarly, UnitSlip, OverTorque, UnderTorque,
		Seized, Stripping, LostReading, LostRepulled, SameCycle, Elsewhere, Retightened, ZeroShift}
}

// Masked says whether f leaves a fastener out while the count agrees.
func (f Fault) Masked() bool { return f == MaskedTwice || f == MaskedLost || f == MaskedCounted }

// Condition is how a fastener truly is when release is asked for.
type Condition string

// The conditions.
const (
	Tight   Condition = "tight"
	Never   Condition = "never" // not tightened to the final torque
	Low     Condition = "low"
	High    Condition = "high"
	Damaged Condition = "damaged"
)

// Kind is what a pull truly was.
type Kind string

// The kinds.
const (
	Fresh       Kind = "fresh"
	Swing       Kind = "swing"  // unfinished; more follows on the same fastener
	Second      Kind = "second" // once more at once, by habit
	Repeat      Kind = "repeat" // once more on a tight one, in another's place
	Again       Kind = "again"  // tightened again after it was loosened
	ClosingPull Kind = "closing"
	NoFastener  Kind = "no_fastener"
	SentTwice   Kind = "sent_twice"
)

// FastenerTruth is what became of one fastener.
type FastenerTruth struct {
	Step      string    `json:"step"`
	Fastener  string    `json:"fastener"`
	Condition Condition `json:"condition"`
	TorqueNm  float64   `json:"torque_nm"` // the most it truly saw
}

// ReadingTruth is what one reading of the stream truly was.
type ReadingTruth struct {
	Step     string  `json:"step"`
	Pass     int     `json:"pass"` // from 0
	Fastener string  `json:"fastener,omitempty"`
	Kind     Kind    `json:"kind"`
	TurnDeg  float64 `json:"turn_deg"` // of the fastener
	TrueNm   float64 `json:"true_nm"`
	BreakNm  float64 `json:"break_nm"` // torque at which the fastener began to turn

	step, fastener int
	nominal        float64 // N·m, of its pass
}

// FaultTruth is one thing that went wrong.
type FaultTruth struct {
	Fault    Fault  `json:"fault"`
	Step     string `json:"step"`
	Fastener string `json:"fastener,omitempty"` // left out, or otherwise concerned
	Pulled   string `json:"pulled,omitempty"`   // pulled in its place
	// Pull is the index, from 0, of the reading of the fault itself, or the
	// first after it; Knowable that at which it could first be known, the
	// number of readings standing for the release.
	Pull     int `json:"pull"`
	Knowable int `json:"knowable"`
	// NoUnit, of a unit slip: the tool tells no unit, so that its number alone
	// looks right.
	NoUnit bool `json:"no_unit,omitempty"`
}

// Truth is what truly happened in a job.
type Truth struct {
	Note      string          `json:"note"`
	Seed      uint64          `json:"seed"`
	Job       int             `json:"job"`
	Tier      Tier            `json:"tier"`
	Faults    []FaultTruth    `json:"faults"`
	Fasteners []FastenerTruth `json:"fasteners"`
	Readings  []ReadingTruth  `json:"readings"`
}

// Clean says whether nothing went wrong.
func (t *Truth) Clean() bool { return len(t.Faults) == 0 }
