package simulator

import (
	"context"
	"fmt"
	"math/rand/v2"

	"witnessmark/events/quantity"
)

// handScatter is how well a hand stops at a torque that it reads off a display,
// as a standard deviation of the torque. Our choice.
const handScatter = 0.004

// TryOut makes one pull with a wrench on a bench tester, as in a calibration:
// the hand stops near target as the wrench shows it, and both report the same
// pull, each with its own error. The wrench reports first.
func TryOut(ctx context.Context, wrench, tester Tool, bias float64, target quantity.Torque, rng *rand.Rand) (byWrench, byTester Sent, err error) {
	truth := target.NewtonMetres() / (1 + bias) * (1 + handScatter*rng.NormFloat64())
	p := Pull{Peak: quantity.NewtonMetres(truth), Angle: quantity.Degrees(3)}
	if byWrench, err = wrench.Pull(ctx, p, Wire{}); err != nil {
		return byWrench, byTester, fmt.Errorf("try out a wrench: %w", err)
	}
	if byTester, err = tester.Pull(ctx, p, Wire{}); err != nil {
		return byWrench, byTester, fmt.Errorf("try out a wrench, the tester: %w", err)
	}
	return byWrench, byTester, nil
}
