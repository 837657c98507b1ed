package events

import "witnessmark/events/quantity"

// ToolMoveAsked asks to change a tool's state or whereabouts. An empty State
// or Place stays as it is.
type ToolMoveAsked struct {
	Ask
	Tool   string    `json:"tool"`
	State  ToolState `json:"state,omitempty"`
	Place  string    `json:"place,omitempty"`
	Reason string    `json:"reason"`
}

// ToolAdjustAsked says that a tool was adjusted or mended.
type ToolAdjustAsked struct {
	Ask
	Tool string `json:"tool"`
	What string `json:"what"` // what was done
}

// CalibrationAsked asks to begin a calibration at Ask.Bench.
type CalibrationAsked struct {
	Ask
	Tool      string `json:"tool"`
	Reference string `json:"reference"`
	Phase     Phase  `json:"phase"`
	Rule      string `json:"rule,omitempty"` // "simple", "guard", or "p=0.98"; "": guard
	// Directions that a torque tool works in, "cw" and "ccw"; empty: cw alone.
	Directions []string `json:"directions,omitempty"`
	// Points of an indicator, or of a torque tool in place of those of its
	// class; empty: the usual ones.
	Points []quantity.Value `json:"points,omitempty"`
	// Readings at each point; 0: what the tool's class takes, 2 for an indicator.
	Readings int `json:"readings,omitempty"`
	WithinS  int `json:"within_s,omitempty"` // the two readings of a pair come within this time; 0: 60 s
}

// CalibrationPairAsked gives a pair, or the half of it that does not come over
// a line, by hand. Calibration may be empty: the one open at Ask.Bench.
type CalibrationPairAsked struct {
	Ask
	Calibration   string         `json:"calibration,omitempty"`
	Check         string         `json:"check,omitempty"` // in place of a calibration
	Tool          quantity.Value `json:"tool,omitzero"`
	ToolUnit      string         `json:"tool_unit,omitempty"`
	Reference     quantity.Value `json:"reference,omitzero"`
	ReferenceUnit string         `json:"reference_unit,omitempty"`
}

// CalibrationUndoAsked asks to take the last pair, or the half that waits,
// back.
type CalibrationUndoAsked struct {
	Ask
	Calibration string `json:"calibration,omitempty"`
	Reason      string `json:"reason,omitempty"`
}

// CalibrationCloseAsked asks to judge a calibration. The influences are spans
// of means in % of the reading as ISO 6789-2 has them, 0 where one does not
// apply; an indicator has none.
type CalibrationCloseAsked struct {
	Ask
	Calibration     string  `json:"calibration,omitempty"`
	Reproducibility float64 `json:"reproducibility,omitempty"`
	Interface       float64 `json:"interface,omitempty"`
	OutputDrive     float64 `json:"output_drive,omitempty"`
	LeverLength     float64 `json:"lever_length,omitempty"`
	Note            string  `json:"note,omitempty"`
}

// CalibrationDropAsked asks to end a calibration without a result.
type CalibrationDropAsked struct {
	Ask
	Calibration string `json:"calibration,omitempty"`
	Reason      string `json:"reason"`
}

// CertificateAsked asks to enter the certificate of an outside laboratory.
type CertificateAsked struct {
	Ask
	Certificate string              `json:"certificate"`
	Tool        string              `json:"tool"`
	Laboratory  string              `json:"laboratory"`
	Phase       Phase               `json:"phase"`
	Date        string              `json:"date"`          // YYYY-MM-DD
	Due         string              `json:"due,omitempty"` // YYYY-MM-DD; empty: by the tool's interval
	Standing    Standing            `json:"standing"`
	K           float64             `json:"k,omitempty"`
	Results     []CalibrationResult `json:"results,omitempty"` // Standing, Accept and P may be left out
	File        string              `json:"file,omitempty"`
	FileHash    string              `json:"file_hash,omitempty"`
	FileSize    int64               `json:"file_size,omitempty"`
}

// CheckAsked asks to begin a quick check at Ask.Bench.
type CheckAsked struct {
	Ask
	Tool      string         `json:"tool"`
	Reference string         `json:"reference"`
	Point     quantity.Value `json:"point,omitzero"`     // none: that of the last check, or 60 % of the tool's range
	Pulls     int            `json:"pulls,omitempty"`    // 0: 3
	WithinS   int            `json:"within_s,omitempty"` // 0: 60 s
}

// CheckDropAsked asks to end a quick check without a result.
type CheckDropAsked struct {
	Ask
	Check  string `json:"check,omitempty"`
	Reason string `json:"reason"`
}

// OverrideAsked asks a lead to let a tool that is refused be used for one job.
type OverrideAsked struct {
	Ask
	Tool   string `json:"tool"`
	Job    string `json:"job"`
	Reason string `json:"reason"`
}

// ReadingAssignAsked says which tool took a reading of one that nobody had
// registered.
type ReadingAssignAsked struct {
	Ask
	Reading uint64 `json:"reading"`
	Tool    string `json:"tool"`
	Reason  string `json:"reason"`
}

// EventType implements Data.
func (ToolMoveAsked) EventType() (string, int) { return "tool_move.asked", 1 }

// EventType implements Data.
func (ToolAdjustAsked) EventType() (string, int) { return "tool_adjust.asked", 1 }

// EventType implements Data.
func (CalibrationAsked) EventType() (string, int) { return "calibration.asked", 1 }

// EventType implements Data.
func (CalibrationPairAsked) EventType() (string, int) { return "calibration_pair.asked", 1 }

// EventType implements Data.
func (CalibrationUndoAsked) EventType() (string, int) { return "calibration_undo.asked", 1 }

// EventType implements Data.
func (CalibrationCloseAsked) EventType() (string, int) { return "calibration_close.asked", 1 }

// EventType implements Data.
func (CalibrationDropAsked) EventType() (string, int) { return "calibration_drop.asked", 1 }

// EventType implements Data.
func (CertificateAsked) EventType() (string, int) { return "certificate.asked", 1 }

// EventType implements Data.
func (CheckAsked) EventType() (string, int) { return "check.asked", 1 }

// EventType implements Data.
func (CheckDropAsked) EventType() (string, int) { return "check_drop.asked", 1 }

// EventType implements Data.
func (OverrideAsked) EventType() (string, int) { return "override.asked", 1 }

// EventType implements Data.
func (ReadingAssignAsked) EventType() (string, int) { return "reading_assign.asked", 1 }
