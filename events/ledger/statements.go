package ledger

import "strings"

// statement is one of the prepared statements.
type statement int

const (
	putReading statement = iota
	putJudgement
	putVoid
	putUnplaced
	putFrameRefused
	putFrameRepeated
	putCounterGap
	putLink
	putSamples
	putAsk
	putRequestRefused
	putToolMove
	putToolAdjustment
	putToolOverload
	putToolOverride
	putReadingAssigned
	putReadingPassed
	putCalibrationOpened
	putCalibrationPair
	putCalibrationUndo
	putCalibration
	putCertificate
	putCalibrationPoint
	putCalibrationDropped
	putCheckOpened
	putCheckPair
	putCheck
	putCheckDropped
	putShop
	putBench
	putPerson
	putTool
	putShopDevice
	putShopBox
	putProcedure
	putJob
	putJobEvent
	putStepEvent
	putPointing
	putDeviation
	putReset
	putPullWeighed
	putWitness
	putAside
	putQuestion
	putLost
	putForgotten
	putAudit
	putResidual
	putLooseEnd
	putLooseEndFate
	putItem
	putItemDecision
	putSealantClosed
	putHold
	putBenchTaken
	putPart
	putPressCleared
	putPress
	putPressRecheck
	putPhoto
	undoPart

	putRecall
	putRecallLine
	putDriftSignal
	putSuspicion
	putSampleMean
	putShimDrawer
	putShimStock
	putShimStep
	putMeasurement
	putMeasureEvent
	putAlert
	putHole
	putRulesVersion
	putSeal
	putNotice
	putArrival
	putBoxLink
	putBoxClock
	putClockStep
	putRestore
	putLate
	putAccessRefused
	putAccessChanged
	putRemoved
	putRemovedOf
	settleUnplaced
	settleAside
	settleQuestion
	moveJob
	passJob
	endJob
	seeAlert
	settleAlert
	addDevice
	addTotal
	addToolTally
	putToolPulls
	closeRecall
	closeRecallLine
	movePosition
	cutHole
	numStatements
)

// statements gives the text of each. Inserts name no columns: their arguments
// are the columns of schema.sql, in that order.
var statements = [numStatements]string{
	putReading:        insertInto("readings", 27),
	putJudgement:      insertInto("judgements", 29),
	putVoid:           insertInto("voids", 9),
	putUnplaced:       insertInto("unplaced", 20),
	putFrameRefused:   insertInto("frames_refused", 10),
	putFrameRepeated:  insertInto("frames_repeated", 6),
	putCounterGap:     insertInto("counter_gaps", 8),
	putLink:           insertInto("links", 7),
	putSamples:        insertInto("samples", 11),
	putAsk:            insertInto("asks", 6),
	putRequestRefused: insertInto("requests_refused", 9),

	putToolMove:           insertInto("tool_moves", 7),
	putToolAdjustment:     insertInto("tool_adjustments", 6),
	putToolOverload:       insertInto("tool_overloads", 7),
	putToolOverride:       insertInto("tool_overrides", 7),
	putReadingAssigned:    insertInto("readings_assigned", 6),
	putReadingPassed:      insertInto("readings_passed_over", 12),
	putCalibrationOpened:  insertInto("calibrations_opened", 13),
	putCalibrationPair:    insertInto("calibration_pairs", 7),
	putCalibrationUndo:    insertInto("calibration_undos", 7),
	putCalibration:        insertInto("calibrations", 17),
	putCertificate:        insertInto("certificates", 16),
	putCalibrationPoint:   insertInto("calibration_points", 18),
	putCalibrationDropped: insertInto("calibrations_dropped", 6),
	putCheckOpened:        insertInto("checks_opened", 13),
	putCheckPair:          insertInto("check_pairs", 6),
	putCheck:              insertInto("checks", 21),
	putCheckDropped:       insertInto("checks_dropped", 6),

	putShop:       insertInto("shops", 7),
	putBench:      insertInto("benches", 4),
	putPerson:     insertInto("people", 7),
	putTool:       insertInto("tools", 33),
	putShopDevice: insertInto("shop_devices", 11),
	putShopBox:    insertInto("shop_boxes", 4),
	putProcedure:  insertInto("procedures", 8),
	// The rules give an id to one job only; should a journal say otherwise,
	// the first opening stands and job_events tells of the other.
	putJob:           insertInto("jobs", 17) + " ON CONFLICT (job) DO NOTHING",
	putJobEvent:      insertInto("job_events", 8),
	putStepEvent:     insertInto("step_events", 7),
	putPointing:      insertInto("pointings", 6),
	putDeviation:     insertInto("deviations", 8),
	putReset:         insertInto("resets", 7),
	putPullWeighed:   insertInto("pulls_weighed", 16),
	putWitness:       insertInto("witnesses_weighed", 6),
	putAside:         insertInto("pulls_aside", 23),
	putQuestion:      insertInto("questions", 15),
	putLost:          insertInto("cycles_lost", 6),
	putForgotten:     insertInto("learning_forgotten", 6),
	putAudit:         insertInto("residual_audits", 7),
	putResidual:      insertInto("residuals", 16),
	putLooseEnd:      insertInto("loose_ends", 11),
	putLooseEndFate:  insertInto("loose_end_fates", 9),
	putItem:          insertInto("items", 21),
	putItemDecision:  insertInto("item_decisions", 9),
	putSealantClosed: insertInto("sealants_closed", 6),
	putHold:          insertInto("holds", 8),
	putBenchTaken:    insertInto("bench_takings", 7),
	putShimDrawer:    insertInto("shim_drawers", 6),
	putShimStock:     insertInto("shim_stock", 12),
	putShimStep:      insertInto("shim_steps", 9),
	putAlert:         insertInto("alerts", 24),
	putPart:          insertInto("parts", 18),
	putPressCleared:  insertInto("presses_cleared", 7),
	putPress:         insertInto("presses", 14),
	putPressRecheck:  insertInto("press_rechecks", 8),
	putPhoto:         insertInto("photos", 12),
	undoPart: `UPDATE parts SET undone_id = ?, undone_by = ?, undone_reason = ?, undone_at_us = ?
		WHERE job = ? AND step = ? AND part = ? AND undone_id = 0`,
	putMeasurement:   insertInto("measurements", 20),
	putMeasureEvent:  insertInto("measure_events", 7),
	putHole:          insertInto("holes", 2),
	putRulesVersion:  insertInto("rules_versions", 2),
	putSeal:          insertInto("seals", 8),
	putNotice:        insertInto("notices", 8),
	putArrival:       insertInto("arrivals_refused", 9),
	putBoxLink:       insertInto("box_links", 6),
	putBoxClock:      insertInto("box_clocks", 6),
	putClockStep:     insertInto("clock_steps", 5),
	putRestore:       insertInto("restores", 10),
	putLate:          insertInto("readings_late", 8),
	putAccessRefused: insertInto("access_refusals", 10),
	putAccessChanged: insertInto("access_changes", 8),
	putRemoved:       insertInto("captures_removed", 16),
	putRemovedOf:     insertInto("captures_removed_of", 3),

	putRecall:      insertInto("recalls", 16),
	putRecallLine:  insertInto("recall_lines", 35) + " ON CONFLICT (recall, line) DO NOTHING",
	putDriftSignal: insertInto("drift_signals", 16),
	putSuspicion:   insertInto("suspicions", 13),
	putSampleMean:  insertInto("sample_means", 7),

	settleUnplaced: `UPDATE unplaced SET fate = ?, fate_id = ?, fate_job = ?, fate_by = ?, fate_reason = ?, fate_at_us = ?
		WHERE reading = ? AND fate = ''`,
	settleAside: `UPDATE pulls_aside SET fate = ?, fate_id = ?, fate_by = ?, fate_reason = ?, fate_at_us = ?
		WHERE reading = ? AND fate = ''`,
	settleQuestion: `UPDATE questions SET settled_id = ?, settled_by = ?, settled_choice = ?, settled_how = ?, settled_at_us = ?
		WHERE question = ? AND settled_id = 0`,
	moveJob: `UPDATE jobs SET status = ?, bench = coalesce(nullif(?, ''), bench), technician = coalesce(nullif(?, ''), technician)
		WHERE job = ?`,
	passJob:     `UPDATE jobs SET bench = coalesce(nullif(?, ''), bench), technician = coalesce(nullif(?, ''), technician) WHERE job = ?`,
	endJob:      `UPDATE jobs SET status = ?, ended_by = ?, ended_at_us = ?, end_reason = ? WHERE job = ?`,
	seeAlert:    `UPDATE alerts SET seen_id = ?, seen_by = ?, seen_at_us = ? WHERE alert = ? AND seen_id = 0`,
	settleAlert: `UPDATE alerts SET settled_id = ?, settled_by = ?, settled_how = ?, settled_at_us = ? WHERE alert = ? AND settled_id = 0`,
	addDevice: insertInto("devices", 8) + ` ON CONFLICT (device) DO UPDATE SET
		readings = readings + excluded.readings, refused = refused + excluded.refused,
		repeated = repeated + excluded.repeated, gaps = gaps + excluded.gaps,
		last_reading = max(last_reading, excluded.last_reading),
		last_refused = max(last_refused, excluded.last_refused),
		last_link = max(last_link, excluded.last_link)`,
	addTotal:     insertInto("totals", 3) + " ON CONFLICT (what, label) DO UPDATE SET n = n + excluded.n",
	addToolTally: insertInto("tool_tallies", 2) + " ON CONFLICT (tool) DO UPDATE SET judged = judged + excluded.judged",
	putToolPulls: insertInto("tool_pulls", 7),
	closeRecall:  `UPDATE recalls SET closed_id = ?, closed_by = ?, closed_at_us = ? WHERE recall = ? AND closed_id = 0`,
	closeRecallLine: `UPDATE recall_lines SET closed_id = ?, how = ?, proof = ?, closed_by = ?, closed_reason = ?, closed_at_us = ?
		WHERE recall = ? AND line = ? AND closed_id = 0`,
	cutHole:      `DELETE FROM holes WHERE first = ?`,
	movePosition: `UPDATE position SET seq = ?, source = ?, number = ?, event_at_us = ?`,
}

func insertInto(table string, columns int) string {
	return "INSERT INTO " + table + " VALUES (?" + strings.Repeat(",?", columns-1) + ")"
}
