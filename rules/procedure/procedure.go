// Package procedure holds released instructions for rebuilding one model of
// unit: it reads the YAML form, checks it and computes what is left out, such
// as the places of the fasteners of a ring and the order of a cross.
package procedure

import (
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/gauge"
)

// Deference is the caution that every procedure carries. Parse puts it first
// among the procedure's cautions.
const Deference = "The unit maker's service information, local codes and licensed practice come first."

// Procedure is one revision, checked and computed. It never changes.
type Procedure struct {
	ID       string   // "RA-210"
	Revision string   // "B"
	Title    string   // "Brackwater RA-210 drive axle: final assembly"
	Unit     string   // model of the unit, "Brackwater RA-210"
	Hash     string   // SHA-256 of the file, hexadecimal
	Cautions []string // of the whole procedure; the first is always Deference
	Faces    []Face
	Steps    []Step
	Mates    []Mate // parts that must match
}

// Step returns the step with an id and its index, or nil and -1.
func (p *Procedure) Step(id string) (*Step, int) {
	for i := range p.Steps {
		if p.Steps[i].ID == id {
			return &p.Steps[i], i
		}
	}
	return nil, -1
}

// Face returns the face with an id, or nil.
func (p *Procedure) Face(id string) *Face {
	for i := range p.Faces {
		if p.Faces[i].ID == id {
			return &p.Faces[i]
		}
	}
	return nil
}

// Face is a side of the part as the technician sees it, in millimetres, x to
// the right and y up, with the origin where the procedure wants it.
type Face struct {
	ID       string
	Title    string
	Outlines []Outline // drawn in order, first the body, then bores and marks
}

// Outline is a closed line on a face.
type Outline struct {
	Shape string  // "circle", "rectangle", "polygon"
	X, Y  float64 // mm, centre of a circle or rectangle
	R     float64 // mm, radius of a circle, corner radius of a rectangle
	W, H  float64 // mm, of a rectangle
	// Points of a polygon, mm, in order; Round is its corner radius in mm.
	Points [][2]float64
	Round  float64
	Style  string // "body", "bore", "mark"
}

// Kind is the kind of a step.
type Kind string

// The kinds of step. Torque and Measure take readings; the others are
// attested by hand.
const (
	Torque  Kind = "torque"
	Measure Kind = "measure"
	Shim    Kind = "shim"
	Press   Kind = "press"
	Attest  Kind = "attest"
	Parts   Kind = "parts"
)

// Step is one thing to be done.
type Step struct {
	ID        string
	Title     string
	Kind      Kind
	Text      []string // instructions, a paragraph each
	Cautions  []string
	Face      string        // face id, "" if none
	Joint     *Joint        // of a torque step
	Measure   *MeasureSpec  // of a measure step, and of a shim step whose stack is chosen
	Kit       []Part        // of a parts step, in the order to be laid out; empty: attested only
	Press     *PressSpec    // of a press step whose force is measured; nil: attested only
	Shim      *ShimSpec     // of a shim step whose stack is chosen; Measure then is what closes it; nil: attested only
	Statement string        // what is attested, of the other kinds
	Covers    []string      // ids of steps whose work can no longer be reached once this one is done
	Items     []Item        // what a person is asked at this step
	Opens     []LooseEnd    // what it leaves open for a later step to close
	Hardens   []string      // ids of loose ends that are harder to close once this step is begun
	Needs     []string      // ids of earlier steps that must be done before this one is begun
	Hold      string        // who must release it once its work is done: events.BySecond or ByLead; "": nobody
	Pause     time.Duration // an open torque step without a reading for longer than this is asked about; 0: never
}

// Class is the consequence class of a joint, in the sense of VDI/VDE 2862.
type Class string

// The consequence classes.
const (
	ClassA Class = "A" // life and limb
	ClassB Class = "B" // breakdown
	ClassC Class = "C" // other
)

// Joint is the fasteners that clamp the same parts.
type Joint struct {
	Class       Class
	Thread      string // "M10x1.5", "3/8-16 UNC"
	Strength    string // "8.8", "10.9", "SAE 8"
	Lubrication string // "oiled", "dry", "thread locker"
	Into        string // material that holds the thread, "aluminium", "cast iron"; "" if not said
	Fasteners   []Fastener
	Passes      []Pass
	Lot         string       // of the bolts or parts, "" if not said
	Evidence    events.Grade // the least that is enough for each fastener
	Strict      bool         // the order is demanded, not advised
	Tools       []string     // ids of the only tools allowed; empty: any whose range covers the target
	ToolKinds   []string     // the only kinds of tool allowed, as events.ToolKind; empty: any
}

// Fastener returns the index of the fastener with an id, or -1.
func (j *Joint) Fastener(id string) int {
	for i := range j.Fasteners {
		if j.Fasteners[i].ID == id {
			return i
		}
	}
	return -1
}

// Fastener is one of a joint's fasteners at its place on the step's face.
type Fastener struct {
	ID   string  // unique in the step: "1", "2", "G1"
	X, Y float64 // mm, on the face
	Head float64 // mm, across the corners of the head, for drawing
	Note string  // "long bolt", "guide bolt"

	Group    string // named group, "" if none
	Thread   string // of the group if it has its own, else the joint's
	Strength string // likewise
}

// Pass is one round over the joint, or over part of it.
type Pass struct {
	Name             string // "snug", "intermediate", "final"
	Target, LSL, USL quantity.Value
	AngleLo, AngleHi quantity.Value // angle window; zero: none
	Order            []int          // indices into Joint.Fasteners, in the order to be pulled; may be a part of them
	Closing          bool           // once more at the final torque, where the evidence of the final pass is not enough
	Loose            bool           // judged loosely: counts once LSL is reached, in any order, high is no hold
	Unit             quantity.Unit  // in which the procedure states the target (without one: the limits)
}

// TurnsTo reports whether a pass has an angle window and a rotation is inside it:
// then the procedure itself wants so much rotation, into yield where it says so.
func (p *Pass) TurnsTo(a quantity.Angle) bool {
	v := a.Value().Base()
	return !p.AngleHi.IsZero() && v >= p.AngleLo.Base() && v <= p.AngleHi.Base()
}

// MeasureSpec is what a measure step takes.
type MeasureSpec struct {
	What             string         // "run-out", "end play", "backlash", "depth"
	Target, LSL, USL quantity.Value // the zero Value where the procedure states none: Target, or one of the limits
	Unit             quantity.Unit  // in which the procedure states the limits
	Tools, ToolKinds []string       // as of a Joint
	Gauge            *gauge.Spec    // how the program leads through it; nil: one value, as it comes
}
