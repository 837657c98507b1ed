package record

// requestWords says what was asked for, by the written name of the request.
var requestWords = map[string]string{
	"job.asked": "open a job", "job_pause.asked": "pause the job", "job_resume.asked": "go on with the job",
	"hand_over.asked": "hand over", "step_confirm.asked": "confirm a step", "fastener.pointed": "point at a fastener",
	"reading.taken": "type a value", "reading_claim.asked": "say what a reading is for",
	"reading_dismiss.asked": "set a reading aside", "reading_void.asked": "call a reading a mistake",
	"reading_assign.asked": "give a reading to a job", "alert_ack.asked": "acknowledge an alert",
	"alert_settle.asked": "set an alert aside", "question.answered": "answer a question",
	"closing_turn.reported": "say that a fastener turned", "part.scanned": "scan a part", "part.answered": "tell of a part",
	"part_undo.asked": "take a part back", "press_ready.asked": "check a pair before pressing", "press.rechecked": "re-check a pressed place",
	"photo.taken": "add a photo", "measure.asked": "control a measurement", "loose_end_open.asked": "open a loose end",
	"loose_end_close.asked": "close a loose end", "item_answer.asked": "answer what a step asks",
	"item_decision.asked": "decide on an answer", "badge.scanned": "scan a badge", "shim_stock.asked": "change the stock of shims",
	"shim_found.asked": "tell the shims in place", "shim_fit.asked": "say which shims went in", "check.asked": "begin a quick check",
	"check_drop.asked": "drop a quick check", "calibration.asked": "begin a calibration", "calibration_pair.asked": "type a pair of a calibration",
	"calibration_undo.asked": "take a pair of a calibration back", "calibration_close.asked": "judge a calibration",
	"calibration_drop.asked": "drop a calibration", "hold_release.asked": "release a hold point", "release.asked": "release the job",
	"abandon.asked": "give the job up", "decision.asked": "decide on a fastener", "residual_audit.asked": "audit a fastener",
	"override.asked": "use a refused tool", "procedure.offered": "release a procedure", "learning_forget.asked": "forget what was learned",
	"tool_move.asked": "change where a tool stands", "tool_adjust.asked": "record an adjustment of a tool",
	"certificate.asked": "enter a certificate", "recall.asked": "open a recall", "recall_part.asked": "add lines to a recall",
	"recall_line.asked": "close a line of a recall",
}

// RequestInWords says what a request asks for; a name that a newer program
// wrote stays as it is.
func RequestInWords(name string) string {
	if w, ok := requestWords[name]; ok {
		return w
	}
	return name
}

// What says in words what was asked for.
func (r *Refusal) What() string { return RequestInWords(r.Request) }
