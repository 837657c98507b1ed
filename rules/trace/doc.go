// Package trace evaluates the torque and angle trace of one pull: peak, snug,
// rotation with the spring-back taken off, breakaway, slip, and what is wrong
// with the trace. trace.md in this folder describes it on one page.
//
// It is pure, never panics, and allocates nothing for a sound trace without
// findings. Figures inside are plain numbers whose names tell the unit:
// newton metres, degrees, microseconds, hertz, shares of one.
//
// Its limits come from real station traces (screw-tightening-wear and
// screw-loosening in the shared data sets) where it says "found". What no open
// data set shows, break-over signatures above all, is said to be assumed.
package trace
