// Package match infers which fastener each pull was at. A wrench knows torque,
// perhaps duration, rotation or the whole trace, never the place. A Filter
// holds hypotheses over one pass of one joint of one job: who is tight, where
// the technician stands, what each pull so far was. Every pull weighs them
// anew, and a later pull can change the reading of an earlier one.
//
// A Filter never changes: Pull and its like return another, so that a trial
// costs nothing. All of it is pure and deterministic.
//
// The numbers are plain: a model works on logarithms of ratios. Torques are in
// newton metres, rotations in degrees, times in seconds, places in
// millimetres, and the names say so. model.md describes the model and says of
// every parameter whether it is found, computed, remembered or assumed.
package match
