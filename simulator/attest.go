package simulator

import (
	"context"
	"time"
)

// AttestKind is a kind of thing that people attest beside their work.
type AttestKind string

// What people attest.
const (
	AttestAnswer  AttestKind = "answer"  // something that the step asks
	AttestClose   AttestKind = "close"   // a loose end is closed; a second person says so
	AttestRelease AttestKind = "release" // the lead releases the step's hold point
)

// RightWay is the answer that a part faces the right way, whatever the page
// calls it.
const RightWay = "right"

// Attested is one thing that people attest beside their work.
type Attested struct {
	Kind   AttestKind
	Step   string
	ID     string // of what is asked, or of the loose end
	Answer string
	Other  string // the other way of a stop check
	Text   string // a free travel, with Unit
	Unit   string // unit code
}

// attestWait is how long a person takes for it. It is always the same, so that
// what a procedure asks changes nothing else of a script.
const attestWait = 4 * time.Second

func (b *builder) attest(all []Attested) {
	for _, a := range all {
		b.add(Action{Do: DoAttest, Wait: attestWait, Step: a.Step, Attest: a})
	}
}

// attest does what a person attests. What is refused is tried again once what
// was left out before it has been made good.
func (p *performer) attest(ctx context.Context, a Action) error {
	p.passed = append(p.passed, a)
	return p.granted(p.Desk.Attest(ctx, p.job, a.Attest))
}
