package events

import (
	"bytes"
	stdjson "encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"witnessmark/events/quantity"
)

// TypePrefix begins every written event type, in reverse-DNS manner as
// CloudEvents asks for, short of a domain.
const TypePrefix = "witnessmark."

// ErrNewer means that an event was written by a newer program than this: its
// type or version is not known here. It is not corruption.
var ErrNewer = errors.New("written by a newer version of witnessmark")

// TypeName returns the CloudEvents type of d, e.g. "witnessmark.reading.taken.v2".
func TypeName(d Data) string {
	name, v := d.EventType()
	return TypePrefix + name + ".v" + strconv.Itoa(v)
}

// Encode returns d's CloudEvents type and its JSON.
func Encode(d Data) (typ string, data []byte, err error) {
	data, err = stdjson.Marshal(d)
	if err != nil {
		return "", nil, fmt.Errorf("encode %s: %w", TypeName(d), err)
	}
	return TypeName(d), data, nil
}

// Decode returns the event data written as typ. Older versions come back in
// today's form. An unknown type or version gives an error that wraps
// ErrNewer; a broken one gives another error.
func Decode(typ string, data []byte) (Data, error) {
	name, version, err := splitType(strings.TrimPrefix(typ, TypePrefix))
	if err != nil || !strings.HasPrefix(typ, TypePrefix) {
		return nil, fmt.Errorf("decode event type %q: want %sname.vN", typ, TypePrefix)
	}
	f, ok := dataForms[name]
	if !ok || version > len(f) {
		return nil, fmt.Errorf("decode event type %q: %w", typ, ErrNewer)
	}
	d, err := f[version-1](data)
	if err != nil {
		return nil, fmt.Errorf("decode %s: %w", typ, err)
	}
	return d, nil
}

func splitType(s string) (name string, version int, err error) {
	i := strings.LastIndex(s, ".v")
	if i < 1 {
		return "", 0, fmt.Errorf("type %q has no version", s)
	}
	version, err = strconv.Atoi(s[i+2:])
	if err != nil || version < 1 {
		return "", 0, fmt.Errorf("type %q has no version", s)
	}
	return s[:i], version, nil
}

// as returns a decoder for today's form of T.
func as[T Data]() func([]byte) (Data, error) {
	return func(b []byte) (Data, error) {
		var v T
		err := unmarshalObject(b, &v)
		return v, err
	}
}

// unmarshalObject reads a JSON object and nothing else: a null would pass as
// an empty event.
func unmarshalObject(b []byte, v any) error {
	if b = bytes.TrimLeft(b, " \t\r\n"); len(b) == 0 || b[0] != '{' {
		return errors.New("want an object")
	}
	return json.Unmarshal(b, v, readAs)
}

// readAs is how events are read: in one scan, and as forgiving as whoever
// wrote them was. The journal's own checks find what is damaged.
var readAs = json.JoinOptions(jsontext.AllowDuplicateNames(true), jsontext.AllowInvalidUTF8(true), json.MatchCaseInsensitiveNames(true))

// dataForms holds, by written name, a decoder for each version from 1 up, the
// last being today's. Never remove one.
var dataForms = map[string][]func([]byte) (Data, error){
	"reading.taken":         {readingTakenV1, as[ReadingTaken]()},
	"frame.refused":         {as[FrameRefused]()},
	"frame.repeated":        {as[FrameRepeated]()},
	"counter_gap.found":     {as[CounterGapFound]()},
	"force.rising":          {as[ForceRising]()},
	"link.changed":          {as[LinkChanged]()},
	"samples.captured":      {as[SamplesCaptured]()},
	"shop.described":        {as[ShopDescribed]()},
	"procedure.offered":     {as[ProcedureOffered]()},
	"job.asked":             {as[JobAsked]()},
	"job_pause.asked":       {as[JobPauseAsked]()},
	"job_resume.asked":      {as[JobResumeAsked]()},
	"hand_over.asked":       {as[HandOverAsked]()},
	"step_confirm.asked":    {as[StepConfirmAsked]()},
	"fastener.pointed":      {as[FastenerPointed]()},
	"reading_claim.asked":   {as[ReadingClaimAsked]()},
	"reading_dismiss.asked": {as[ReadingDismissAsked]()},
	"reading_void.asked":    {as[ReadingVoidAsked]()},

	"tool_move.asked":         {as[ToolMoveAsked]()},
	"tool_adjust.asked":       {as[ToolAdjustAsked]()},
	"calibration.asked":       {as[CalibrationAsked]()},
	"calibration_pair.asked":  {as[CalibrationPairAsked]()},
	"calibration_undo.asked":  {as[CalibrationUndoAsked]()},
	"calibration_close.asked": {as[CalibrationCloseAsked]()},
	"calibration_drop.asked":  {as[CalibrationDropAsked]()},
	"certificate.asked":       {as[CertificateAsked]()},
	"check.asked":             {as[CheckAsked]()},
	"check_drop.asked":        {as[CheckDropAsked]()},
	"override.asked":          {as[OverrideAsked]()},
	"reading_assign.asked":    {as[ReadingAssignAsked]()},

	"decision.asked":        {as[DecisionAsked]()},
	"alert_ack.asked":       {as[AlertAckAsked]()},
	"alert_settle.asked":    {as[AlertSettleAsked]()},
	"release.asked":         {as[ReleaseAsked]()},
	"abandon.asked":         {as[AbandonAsked]()},
	"question.answered":     {as[QuestionAnswered]()},
	"learning_forget.asked": {as[LearningForgetAsked]()},
	"residual_audit.asked":  {as[ResidualAuditAsked]()},
	"closing_turn.reported": {as[ClosingTurnReported]()},
	"part.scanned":          {as[PartScanned]()},
	"part.answered":         {as[PartAnswered]()},
	"part_undo.asked":       {as[PartUndoAsked]()},
	"press_ready.asked":     {as[PressReadyAsked]()},
	"press.rechecked":       {as[PressRechecked]()},
	"photo.taken":           {as[PhotoTaken]()},
	"measure.asked":         {as[MeasureAsked]()},
	"time.reached":          {as[TimeReached]()},
	"seal.made":             {as[SealMade]()},
	"notice.tried":          {as[NoticeTried]()},
	"arrivals.late":         {as[ArrivalsLate]()},
	"arrival.refused":       {as[ArrivalRefused]()},
	"arrival.missing":       {as[ArrivalMissing]()},
	"box_link.changed":      {as[BoxLinkChanged]()},
	"clock.compared":        {as[ClockCompared]()},
	"clock.stepped":         {as[ClockStepped]()},
	"shop.restored":         {as[ShopRestored]()},
	"access.refused":        {as[AccessRefused]()},
	"access.changed":        {as[AccessChanged]()},
	"captures.removed":      {as[CapturesRemoved]()},
	"loose_end_open.asked":  {as[LooseEndOpenAsked]()},
	"loose_end_close.asked": {as[LooseEndCloseAsked]()},
	"item_answer.asked":     {as[ItemAnswerAsked]()},
	"item_decision.asked":   {as[ItemDecisionAsked]()},
	"hold_release.asked":    {as[HoldReleaseAsked]()},
	"badge.scanned":         {as[BadgeScanned]()},
	"rules.decided":         {as[Decided]()},

	"recall.asked":      {as[RecallAsked]()},
	"recall_part.asked": {as[RecallPartAsked]()},
	"recall_line.asked": {as[RecallLineAsked]()},
	"shim_stock.asked":  {as[ShimStockAsked]()},
	"shim_found.asked":  {as[ShimFoundAsked]()},
	"shim_fit.asked":    {as[ShimFitAsked]()},
}

// readingTakenV1 reads the first form of a reading, which knew torque only.
func readingTakenV1(b []byte) (Data, error) {
	var old struct {
		Device       string  `json:"device"`
		Tool         string  `json:"tool"`
		Bench        string  `json:"bench"`
		Text         string  `json:"text"`
		Unit         string  `json:"unit"`
		TorqueNm     float64 `json:"torque_nm"`
		ReceivedAtUs Instant `json:"received_at_us"`
		Bytes        []byte  `json:"bytes"`
	}
	if err := unmarshalObject(b, &old); err != nil {
		return nil, err
	}
	return ReadingTaken{
		Device: old.Device, Tool: old.Tool, Bench: old.Bench, Mode: ModePeak,
		Text: old.Text, Unit: old.Unit, Value: quantity.NewtonMetres(old.TorqueNm).Value(),
		ReceivedAtUs: old.ReceivedAtUs, Bytes: old.Bytes,
	}, nil
}

// outcomeForm reads one form of an outcome.
type outcomeForm = func(*jsontext.Decoder) (OutcomeData, error)

func asOutcome[T OutcomeData]() outcomeForm {
	return func(dec *jsontext.Decoder) (OutcomeData, error) {
		var v T
		if k := dec.PeekKind(); k != '{' {
			return nil, errors.New("want an object")
		}
		err := json.UnmarshalDecode(dec, &v)
		return v, err
	}
}

// outcomeForms is to outcomes what dataForms is to events.
var outcomeForms = map[string][]outcomeForm{
	"reading.judged":     {asOutcome[ReadingJudged]()},
	"reading.unplaced":   {asOutcome[ReadingUnplaced]()},
	"reading.dismissed":  {asOutcome[ReadingDismissed]()},
	"reading.voided":     {asOutcome[ReadingVoided]()},
	"shop.adopted":       {asOutcome[ShopAdopted]()},
	"procedure.released": {asOutcome[ProcedureReleased]()},

	"calibration.opened":  {asOutcome[CalibrationOpened]()},
	"calibration.taken":   {asOutcome[CalibrationTaken]()},
	"calibration.undone":  {asOutcome[CalibrationUndone]()},
	"calibration.judged":  {asOutcome[CalibrationJudged]()},
	"calibration.dropped": {asOutcome[CalibrationDropped]()},
	"certificate.entered": {asOutcome[CertificateEntered]()},
	"check.opened":        {asOutcome[CheckOpened]()},
	"check.taken":         {asOutcome[CheckTaken]()},
	"check.judged":        {asOutcome[CheckJudged]()},
	"check.dropped":       {asOutcome[CheckDropped]()},
	"reading.passed_over": {asOutcome[ReadingPassedOver]()},
	"cycle.overloaded":    {asOutcome[CycleOverloaded]()},
	"tool.moved":          {asOutcome[ToolMoved]()},
	"tool.adjusted":       {asOutcome[ToolAdjusted]()},
	"override.given":      {asOutcome[OverrideGiven]()},
	"reading.assigned":    {asOutcome[ReadingAssigned]()},

	"lateness.noted":        {asOutcome[LatenessNoted]()},
	"box.noted":             {asOutcome[BoxNoted]()},
	"reading.came_late":     {asOutcome[ReadingCameLate]()},
	"job.noted":             {asOutcome[JobNoted]()},
	"job.opened":            {asOutcome[JobOpened]()},
	"job.paused":            {asOutcome[JobPaused]()},
	"job.resumed":           {asOutcome[JobResumed]()},
	"job.handed_over":       {asOutcome[JobHandedOver]()},
	"step.finished":         {asOutcome[StepFinished]()},
	"step.reopened":         {asOutcome[StepReopened]()},
	"fastener.placed":       {asOutcome[FastenerPlaced]()},
	"deviation.accepted":    {asOutcome[DeviationAccepted]()},
	"fastener.reset":        {asOutcome[FastenerReset]()},
	"alert.raised":          {asOutcome[AlertRaised]()},
	"alert.acknowledged":    {asOutcome[AlertAcknowledged]()},
	"alert.settled":         {asOutcome[AlertSettled]()},
	"job.released":          {asOutcome[JobReleased]()},
	"job.abandoned":         {asOutcome[JobAbandoned]()},
	"request.refused":       {asOutcome[RequestRefused]()},
	"deadline.set":          {asOutcome[DeadlineSet]()},
	"pull.weighed":          {asOutcome[PullWeighed]()},
	"cycles.lost":           {asOutcome[CyclesLost]()},
	"pull.set_aside":        {asOutcome[PullSetAside]()},
	"witness.weighed":       {asOutcome[WitnessWeighed]()},
	"question.asked":        {asOutcome[QuestionAsked]()},
	"question.settled":      {asOutcome[QuestionSettled]()},
	"learning.forgotten":    {asOutcome[LearningForgotten]()},
	"residual_audit.opened": {asOutcome[ResidualAuditOpened]()},
	"residual.judged":       {asOutcome[ResidualJudged]()},
	"loose_end.opened":      {asOutcome[LooseEndOpened]()},
	"loose_end.closed":      {asOutcome[LooseEndClosed]()},
	"loose_end.reopened":    {asOutcome[LooseEndReopened]()},
	"item.answered":         {asOutcome[ItemAnswered]()},
	"item.decided":          {asOutcome[ItemDecided]()},
	"sealant.closed":        {asOutcome[SealantClosed]()},
	"hold.opened":           {asOutcome[HoldOpened]()},
	"hold.released":         {asOutcome[HoldReleased]()},
	"hold.withdrawn":        {asOutcome[HoldWithdrawn]()},
	"bench.taken":           {asOutcome[BenchTaken]()},
	"shim_stock.changed":    {asOutcome[ShimStockChanged]()},
	"shim.found":            {asOutcome[ShimFound]()},
	"shim.proposed":         {asOutcome[ShimProposed]()},
	"shim.fitted":           {asOutcome[ShimFitted]()},
	"shim.checked":          {asOutcome[ShimChecked]()},
	"part.picked":           {asOutcome[PartPicked]()},
	"part.recorded":         {asOutcome[PartRecorded]()},
	"part.undone":           {asOutcome[PartUndone]()},
	"press.cleared":         {asOutcome[PressCleared]()},
	"press.judged":          {asOutcome[PressJudged]()},
	"press_recheck.noted":   {asOutcome[PressRecheckNoted]()},
	"photo.kept":            {asOutcome[PhotoKept]()},

	"recall.opened":        {asOutcome[RecallOpened]()},
	"recall.listed":        {asOutcome[RecallListed]()},
	"recall_line.closed":   {asOutcome[RecallLineClosed]()},
	"recall.closed":        {asOutcome[RecallClosed]()},
	"drift.signalled":      {asOutcome[DriftSignalled]()},
	"tool.suspected":       {asOutcome[ToolSuspected]()},
	"measurement.started":  {asOutcome[MeasurementStarted]()},
	"measurement.fed":      {asOutcome[MeasurementFed]()},
	"point.taken":          {asOutcome[PointTaken]()},
	"reading.guided":       {asOutcome[ReadingGuided]()},
	"point.dropped":        {asOutcome[PointDropped]()},
	"place.reached":        {asOutcome[PlaceReached]()},
	"mark.passed":          {asOutcome[MarkPassed]()},
	"measurement.troubled": {asOutcome[MeasurementTroubled]()},
	"measurement.ended":    {asOutcome[MeasurementEnded]()},
	"measurement.made":     {asOutcome[MeasurementMade]()},
}

// MarshalJSON writes the form described at Outcome.
func (o Outcome) MarshalJSON() ([]byte, error) {
	if o.Data == nil {
		return nil, errors.New("encode outcome: empty")
	}
	name, v := o.Data.OutcomeType()
	b, err := stdjson.Marshal(o.Data)
	if err != nil {
		return nil, fmt.Errorf("encode outcome %s: %w", name, err)
	}
	buf := make([]byte, 0, len(b)+len(name)+12)
	buf = append(append(buf, `{"`...), name...)
	buf = strconv.AppendInt(append(buf, ".v"...), int64(v), 10)
	buf = append(append(buf, `":`...), b...)
	return append(buf, '}'), nil
}

// UnmarshalJSON reads the form described at Outcome. An unknown type gives an
// error that wraps ErrNewer.
func (o *Outcome) UnmarshalJSON(b []byte) error { return json.Unmarshal(b, o, readAs) }

// UnmarshalJSONFrom is UnmarshalJSON in one scan.
func (o *Outcome) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	if k := dec.PeekKind(); k != '{' {
		return errors.New("decode outcome: want an object")
	}
	if _, err := dec.ReadToken(); err != nil {
		return fmt.Errorf("decode outcome: %w", err)
	}
	if dec.PeekKind() != '"' {
		return errors.New("decode outcome: want one member")
	}
	t, err := dec.ReadToken()
	if err != nil {
		return fmt.Errorf("decode outcome: %w", err)
	}
	key := t.String()
	name, version, err := splitType(key)
	if err != nil {
		return fmt.Errorf("decode outcome: %w", err)
	}
	f, ok := outcomeForms[name]
	if !ok || version > len(f) {
		return fmt.Errorf("decode outcome %q: %w", key, ErrNewer)
	}
	if o.Data, err = f[version-1](dec); err != nil {
		return fmt.Errorf("decode outcome %q: %w", key, err)
	}
	if dec.PeekKind() != '}' {
		return fmt.Errorf("decode outcome %q: want one member", key)
	}
	_, err = dec.ReadToken()
	return err
}
