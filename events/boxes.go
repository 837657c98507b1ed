package events

// Box is a bench box: a machine at a bench that captures by itself, and goes on
// while the shop cannot be reached.
type Box struct {
	ID  string `json:"id" yaml:"id"`
	Key string `json:"key" yaml:"key"` // public nkey that it connects with
}

// BoxSource returns the source of what the shop notes about a bench box.
func BoxSource(box string) string { return "box/" + box }

// BoxClockSource returns the source of what the shop notes about its clock.
func BoxClockSource(box string) string { return BoxSource(box) + "/clock" }

// ArrivalsLate says that the events From to To of a source come into the shop's
// journal now, though a bench box stored them some time ago. They follow with
// the numbers, and unaltered but for the event's time, which is told by the
// shop's clock.
type ArrivalsLate struct {
	Box    string  `json:"box"`
	Source string  `json:"source"`
	From   uint64  `json:"from"`
	To     uint64  `json:"to"`
	AtUs   Instant `json:"at_us"` // by the shop's clock
}

// EventType implements Data.
func (ArrivalsLate) EventType() (string, int) { return "arrivals.late", 1 }

// Why an event of a bench box was not taken as what it says.
const (
	ArrivalUnreadable = "unreadable"   // no event that this version knows
	ArrivalForeign    = "foreign"      // of a device that is not the box's, or no capture at all
	ArrivalNumber     = "number_taken" // its number stands for another event already
	ArrivalJump       = "number_jump"  // its number is far beyond the next
)

// ArrivalRefused keeps what a bench box sent that could not be taken. Where it
// has a number of the box's own, it stands in that event's place.
type ArrivalRefused struct {
	Box    string  `json:"box"`
	Source string  `json:"source"` // as it says
	Number uint64  `json:"number"` // as it says; 0: none
	Type   string  `json:"type"`   // written type name, as it says
	Why    string  `json:"why"`    // see the Arrival constants
	Detail string  `json:"detail"` // for people
	Bytes  []byte  `json:"bytes"`  // its data
	AtUs   Instant `json:"at_us"`
}

// EventType implements Data.
func (ArrivalRefused) EventType() (string, int) { return "arrival.refused", 1 }

// ArrivalMissing stands in the place of an event that a bench box numbered and
// does not have any more.
type ArrivalMissing struct {
	Box  string  `json:"box"`
	AtUs Instant `json:"at_us"`
}

// EventType implements Data.
func (ArrivalMissing) EventType() (string, int) { return "arrival.missing", 1 }

// BoxLinkChanged says that a bench box was connected, or was cut off. It is up
// once what had waited at the box has come.
type BoxLinkChanged struct {
	Box    string  `json:"box"`
	Up     bool    `json:"up"`
	Came   uint64  `json:"came,omitempty"` // of a box that is up again: events that had waited
	Detail string  `json:"detail"`         // for people
	AtUs   Instant `json:"at_us"`
}

// EventType implements Data.
func (BoxLinkChanged) EventType() (string, int) { return "box_link.changed", 1 }

// ClockCompared says how a bench box's clock stands to the shop's.
type ClockCompared struct {
	Box         string  `json:"box"`
	AheadUs     int64   `json:"ahead_us"`      // of the box before the shop; below 0: behind
	RoundTripUs int64   `json:"round_trip_us"` // AheadUs is wrong by half of it at most
	LimitUs     int64   `json:"limit_us"`      // beyond which the shop wants to be told
	AtUs        Instant `json:"at_us"`
}

// EventType implements Data.
func (ClockCompared) EventType() (string, int) { return "clock.compared", 1 }

// LatenessNoted is the outcome of an ArrivalsLate.
type LatenessNoted struct {
	Box    string  `json:"box"`
	Source string  `json:"source"`
	From   uint64  `json:"from"`
	To     uint64  `json:"to"`
	AtUs   Instant `json:"at_us"`
}

// OutcomeType implements OutcomeData.
func (LatenessNoted) OutcomeType() (string, int) { return "lateness.noted", 1 }

// BoxNoted is what the rules keep of a bench box.
type BoxNoted struct {
	Box  string  `json:"box"`
	Away bool    `json:"away"` // cut off: what its benches do is not known
	AtUs Instant `json:"at_us"`
}

// OutcomeType implements OutcomeData.
func (BoxNoted) OutcomeType() (string, int) { return "box.noted", 1 }

// ReadingCameLate marks a reading that a bench box had to keep back. It is
// judged with the time at which it was taken.
type ReadingCameLate struct {
	Reading   uint64  `json:"reading"` // journal sequence
	Box       string  `json:"box"`
	Bench     string  `json:"bench"`
	Tool      string  `json:"tool"`
	Job       string  `json:"job,omitempty"` // at the bench when it came; "": none
	TakenUs   Instant `json:"taken_us"`      // by the shop's clock
	ArrivedUs Instant `json:"arrived_us"`
}

// OutcomeType implements OutcomeData.
func (ReadingCameLate) OutcomeType() (string, int) { return "reading.came_late", 1 }
