package profile

import (
	"time"

	"witnessmark/events/quantity"
)

// Stroke says how a pressing is cut out of the samples of a press gauge: it
// begins where the force rises above Contact, and is over once the force has
// stayed at or below Release for Quiet.
type Stroke struct {
	Contact, Release quantity.Value
	Quiet            time.Duration
	// Clock is what one step of the frame's own clock is worth. With it the
	// samples' times are the gauge's, and the line's delays do no harm; 0: the
	// times of receipt are taken.
	Clock time.Duration
	// Travel says that the gauge tells the travel of the ram, which may run
	// back by no more than Back while the force rises.
	Travel bool
	Back   quantity.Value
}

// Stroke returns how pressings are cut out of samples; nil if the tool is no
// press gauge that streams.
func (p *Profile) Stroke() *Stroke { return p.stroke }

func (p *Profile) readStroke(n node) {
	if !n.ok() {
		return
	}
	k := n.keys("contact!", "release!", "quiet!", "clock")
	s := Stroke{Contact: k["contact"].quantity(""), Release: k["release"].quantity(""),
		Quiet: k["quiet"].duration(0, time.Millisecond, time.Minute), Clock: k["clock"].duration(0, time.Microsecond, time.Second)}
	switch d := p.meaning.dimension(); {
	case s.Contact.IsZero() || s.Release.IsZero():
	case s.Contact.Dimension() != quantity.DimForce || d != quantity.DimForce:
		n.wrong("give contact and release in a unit of force, such as 0.2 kN", "a stroke is a course of force")
	case !(s.Release.Base() < s.Contact.Base()):
		k["release"].wrong("give a release below contact, so that noise does not end a pressing", "release is not below contact")
	}
	s.Travel, s.Back = p.form.has(partTravel), p.meaning.travel.back
	p.stroke = &s
}
