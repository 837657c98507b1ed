package events

import "witnessmark/events/quantity"

// Shop is a site with its benches, people, tools and devices, as the shop
// file describes it.
type Shop struct {
	ID      string       `json:"id" yaml:"id"`     // lower-case letters, digits, '-'
	Name    string       `json:"name" yaml:"name"` // "Fenholt Driveline"
	Torque  string       `json:"torque_unit" yaml:"torque_unit"`
	Length  string       `json:"length_unit" yaml:"length_unit"`
	Benches []Bench      `json:"benches" yaml:"benches"`
	People  []Person     `json:"people" yaml:"people"`
	Tools   []Tool       `json:"tools" yaml:"tools"`
	Devices []Device     `json:"devices" yaml:"devices"`
	Shims   []ShimDrawer `json:"shims,omitempty" yaml:"-"` // the drawers of shims
	Boxes   []Box        `json:"boxes,omitempty" yaml:"-"` // bench boxes
}

// Bench is a work place with its screen and its tools.
type Bench struct {
	ID   string `json:"id" yaml:"id"`
	Name string `json:"name" yaml:"name"`
}

// Role is what a person may decide.
type Role string

// The roles. A lead may do all that a technician may, an owner all that a lead
// and metrology may; an auditor only looks.
const (
	RoleTechnician Role = "technician"
	RoleLead       Role = "lead"
	RoleMetrology  Role = "metrology"
	RoleOwner      Role = "owner"
	RoleAuditor    Role = "auditor"
)

// Person is somebody who works in the shop.
type Person struct {
	ID   string `json:"id" yaml:"id"`
	Name string `json:"name" yaml:"name"`
	Role Role   `json:"role" yaml:"role"`
	// Badge is the line that a scanner gives for the person's badge, Code a
	// short code to be typed instead; "" where there is none. They say who
	// works here, they prove nothing.
	Badge string `json:"badge,omitempty" yaml:"badge"`
	Code  string `json:"code,omitempty" yaml:"code"`
}

// ToolKind says what a tool measures.
type ToolKind string

// The kinds of tool.
const (
	ToolTorqueWrench  ToolKind = "torque_wrench"
	ToolTorqueTester  ToolKind = "torque_tester"
	ToolDialIndicator ToolKind = "dial_indicator"
	ToolPressGauge    ToolKind = "press_gauge"
	ToolSpringScale   ToolKind = "spring_scale" // pulled at a known radius for a drag torque, or straight for a preload
	ToolGaugeBlocks   ToolKind = "gauge_blocks" // a set of blocks: a reference for indicators, it gives no readings
)

// Tool is an asset with an identity, a range, a resolution and a calibration.
type Tool struct {
	ID     string   `json:"id" yaml:"id"`
	Name   string   `json:"name" yaml:"name"`
	Kind   ToolKind `json:"kind" yaml:"kind"`
	Serial string   `json:"serial" yaml:"serial"`
	// Least and Most are the ends of the range in which it is calibrated.
	Least quantity.Value `json:"least"`
	Most  quantity.Value `json:"most"`
	// Relative expanded uncertainty of a reading (k = 2), as a share of the
	// reading: 0.02 is 2 %. And its absolute part, e.g. of an indicator.
	// The expanded uncertainty of a reading is the root of the sum of squares.
	URel float64        `json:"u_rel"`
	UAbs quantity.Value `json:"u_abs,omitzero"`
	// Reports is what the tool tells with each pull, beside the torque.
	Reports ToolReports `json:"reports,omitzero"`
	// Calibrated and Due are dates; a tool is in date up to and including Due.
	Calibrated string `json:"calibrated"` // YYYY-MM-DD
	Due        string `json:"due"`        // YYYY-MM-DD
	// Class is the type and class of a hand torque tool by ISO 6789-1, such as
	// "I C" or "II A"; of an indicator, Design says how it is built, such as
	// "plunger, digital" or "lever".
	Class      string         `json:"class,omitempty" yaml:"class"`
	Design     string         `json:"design,omitempty" yaml:"design"`
	Resolution quantity.Value `json:"resolution,omitzero"` // step of its display or scale
	Owner      string         `json:"owner,omitempty" yaml:"owner"`
	Place      string         `json:"place,omitempty" yaml:"place"` // where it is kept
	Interval   ToolInterval   `json:"interval,omitzero"`
	// Reference says that it is a bench reference, by its certificate.
	Reference   bool   `json:"reference,omitempty" yaml:"reference"`
	Certificate string `json:"certificate,omitempty" yaml:"certificate"`
	// The maker's or the shop's own limits, if any: of a torque tool the
	// maximum permissible deviation as a share of the reading (0: that of its
	// class), of an indicator the maximum permissible error, and the source.
	MaxDeviation float64        `json:"max_deviation,omitempty"`
	MaxError     quantity.Value `json:"max_error,omitzero"`
	LimitSource  string         `json:"limit_source,omitempty"`
}

// ToolInterval is how long a tool may be used between calibrations, whichever
// comes first: 0 is the usual bound of its kind (12 months, and 5,000 cycles of
// a torque wrench), below 0 is none.
type ToolInterval struct {
	Months int `json:"months,omitempty"`
	Cycles int `json:"cycles,omitempty"`
}

// ToolReports is what a torque tool tells with each pull, so that silence
// can be told from inability.
type ToolReports struct {
	Angle        bool           `json:"angle,omitempty" yaml:"angle"`
	Duration     bool           `json:"duration,omitempty" yaml:"duration"`
	Trace        bool           `json:"trace,omitempty" yaml:"trace"`
	AngleStep    quantity.Value `json:"angle_step,omitzero"`                          // resolution of the angle
	Threshold    quantity.Value `json:"threshold,omitzero"`                           // torque from which a pull is reported and its angle counted
	CountsSent   bool           `json:"counts_sent,omitempty" yaml:"counts_sent"`     // its counter numbers what it sent; else the cycles it made
	CountsCycles bool           `json:"counts_cycles,omitempty" yaml:"counts_cycles"` // its counter numbers every cycle, whether its reading arrives or not
	// Late: readings may come long after their pulls, or in another rhythm, so
	// that the times of receipt tell nothing of the work.
	Late bool `json:"late,omitempty" yaml:"late"`
}

// Device is the connection that a tool talks through.
type Device struct {
	ID      string `json:"id" yaml:"id"`
	Tool    string `json:"tool" yaml:"tool"`
	Bench   string `json:"bench" yaml:"bench"`
	Profile string `json:"profile" yaml:"profile"` // name of a shipped profile, or a file
	Port    string `json:"port,omitempty" yaml:"port"`
	// USB identity instead of a port name: hexadecimal vendor and product,
	// and the serial number where two like tools are plugged in.
	USBVendor  string `json:"usb_vendor,omitempty" yaml:"usb_vendor"`
	USBProduct string `json:"usb_product,omitempty" yaml:"usb_product"`
	USBSerial  string `json:"usb_serial,omitempty" yaml:"usb_serial"`
	// Box is the bench box that it is plugged into; "": the shop's own machine.
	Box string `json:"box,omitempty" yaml:"box"`
}
