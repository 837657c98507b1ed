package match

import "witnessmark/events"

// kind is how a pull is explained within a hypothesis.
type kind uint8

const (
	kNext kind = iota
	kOther
	kSwing  // unfinished
	kFinish // ends what a swing began
	kRepeat // the technician knows, or it changes nothing
	kLost   // a repeat in place of the next one, which is passed over
	kRetight
	kLoosen
	kElsewhere
	kNowhere
	kRest // of a swing that had reached the limits already
	kSame
)

// event gives the name under which a kind is kept. A loosening pull belongs to
// the tightening again that follows it.
func (k kind) event() events.ExplanationKind {
	switch k {
	case kNext:
		return events.ExplainedNext
	case kOther:
		return events.ExplainedOther
	case kSwing, kFinish:
		return events.ExplainedSwing
	case kRepeat, kLost, kRest:
		return events.ExplainedRepeat
	case kRetight, kLoosen:
		return events.ExplainedRetighten
	case kElsewhere:
		return events.ExplainedElsewhere
	case kSame:
		return events.ExplainedSameCycle
	}
	return events.ExplainedNowhere
}

// label is what a kind teaches: hypotheses with the same labels have the same
// statistics.
func (k kind) label() uint64 {
	switch k {
	case kNext, kOther, kRetight:
		return 1
	case kRepeat, kLost:
		return 2
	case kFinish, kRest:
		return 3
	case kSwing:
		return 4
	}
	return 5
}

// flags of a candidate.
const (
	passNext   = 1 << iota // the next one is passed over
	unseenNext             // the next one was tightened by a pull that did not arrive
	atOnce
	oddTurn // its rotation teaches nothing
)

// waitShift is where in the flags stands what the time before a pull was.
const waitShift = 4

// What the time before a pull was: a walk to a fastener to be tightened, one to
// a tight one, or hardly any, since it stayed on the same.
const (
	wNone = iota << waitShift
	wWalk
	wAgain
	wOnce
	wOnceWalk  // the one or the other
	wOnceAgain // the same
	wGrip      // the tool was set on anew, on the same one, which is unfinished
	wRest      // the same, or it hardly took any time: little was left to turn
	wHabit     // a second pull at once, which now and then takes its time
	waitKinds  = 9
)

// waited are the log densities of the time before a pull, by what it was.
type waited [waitKinds]float64

// candidate is one way on from a hypothesis.
type candidate struct {
	w        float64
	from     int32
	kind     kind
	fastener int8
	next     int8
	flags    uint8
}
