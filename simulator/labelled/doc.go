// Package labelled makes streams of torque-tool readings of which it is known,
// pull by pull, what happened, and says how well the best possible method
// could tell it. It is the outside against which matching is scored: it
// imports neither the rules nor the ingest side and shares no figure with
// them.
//
// NewShop draws a procedure, its joints and a tool of one tier. Shop.Job makes
// one job at it, clean or with faults: the Sample holds the procedure, the
// readings in order of receipt, and the Truth. Shop.Oracle computes from the
// generator's own densities how much likelier a stream is with a count-masked
// miss than without.
//
// Everything is invented except the figures that params.go calls found. The
// same seed gives the same bytes on every machine.
package labelled
