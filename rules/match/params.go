package match

// Params are the parameters of the model. Chances are per pull unless said
// otherwise; spreads are of natural logarithms. model.md tells where each one
// comes from.
type Params struct {
	// How people work.
	Habit       float64 // a second pull at once on the same fastener. Assumed
	HabitSlow   float64 // of these, the share that takes as long as going to another tight one. Assumed
	HabitWeight float64 // pulls that this chance is worth before any was seen. Assumed
	LostPlace   float64 // a tight one pulled once more in place of the next, which is then left out. Assumed
	LostAgain   float64 // of these, the share on the fastener just done. Assumed
	Check       float64 // a tight one pulled once more without losing the place. Assumed
	Skip        float64 // the next in order left out for the one after it. Assumed
	SkipTwice   float64 // per pass: one left out later on, once one was pulled twice at once; shared among all. Assumed
	Jump        float64 // some other untouched one. Assumed
	FreeOrder   float64 // factor on Jump where the order is free. Assumed
	Back        float64 // back to one left out, when all others are done. Assumed
	BackAmid    float64 // the same before that. Assumed
	BackWrong   float64 // back to one left out, but to this tight one in its place. Assumed
	LeftAgain   float64 // one left out in a pass is left out in the next as well. Assumed
	Nowhere     float64 // a pull on no fastener. Assumed
	Elsewhere   float64 // on another open step. Assumed
	Loosened    float64 // a tight one loosened unseen and tightened again. Assumed
	Interrupted float64 // factor on LostPlace and Skip after a long break. Assumed
	BreakS      float64 // seconds that make a long break. Assumed
	LeaveLow    float64 // to go on from an unfinished pull. Assumed
	Asked       float64 // somebody who was asked for a fastener pulls that one, tight or not. Assumed
	StopEarly   float64 // per job: to stop with some known to be untouched. Assumed
	StopHole    float64 // per job: to stop with one left out and not noticed. Assumed

	// Readings that do not arrive.
	Unseen      float64 // lost without a sign, where no counter of cycles would show it. Assumed
	UnseenGap   float64 // a cycle lost by the counter was a fresh tightening. Assumed
	Again       float64 // a pull whose reading was lost is pulled again. Assumed
	Contiguous  float64 // lost although the counter of cycles goes on without a gap. Assumed
	PlaceWrong  float64 // a confirmed place is wrong. Assumed
	AnswerWrong float64 // an answer to a question is wrong. Assumed

	// Rotation.
	FreshSpread   float64 // of a fresh rotation within a job. Found: slope sd 22 %, and 13.8° sd 3.4 over many jobs
	Skew          float64 // power of a fresh rotation that is about normal. Computed: Wilson and Hilferty, for gamma
	SkewTaught    float64 // the same of a joint whose rotations are known, before they tell. Assumed
	SkewWeight    float64 // values that it is worth. Assumed
	TurnNoise     float64 // degrees that a rotation is uncertain by: a taught spread is no smaller. Assumed
	FreshDF       float64 // values that this spread is worth. Assumed
	TaughtMix     float64 // values that the assumed spread is worth beside a taught one. Assumed
	DaysMix       float64 // the same where the job of each value is known. Assumed
	TaughtDF      float64 // values that a taught spread is worth, at most, where the jobs are not known: the fewer, the heavier the tails. Assumed
	TurnsCarried  float64 // share of what the passes before in the same job tell of the spread, where the jobs of values are known. Assumed
	JobSpread     float64 // of a joint's mean from job to job. Assumed
	JobWorth      float64 // jobs that JobSpread is worth beside taught ones. Assumed
	UntaughtDeg   float64 // middle of hard (27) and soft (324). Computed from ISO 5393, remembered
	UntaughtRange float64 // of the mean, around it. Computed from the same
	RepeatDeg     float64 // that a tight one seems to turn: wind-up, noise. Found: spring-back 3.4° sd 0.43
	RepeatNetDeg  float64 // the same by a trace, its spring-back taken off. Assumed
	TightWorth    float64 // values that these are worth beside taught ones. Assumed
	RepeatShare   float64 // and as a share of a fresh rotation. Assumed
	RepeatSpread  float64 // Assumed
	RepeatBelow   float64 // the same towards less, down to nothing. Assumed
	RelievedShare float64 // share of a fresh rotation that a repeat turns where neighbours relieve it. Assumed
	RelievedRange float64 // Assumed
	Relieved      float64 // share of joints where that is so. Assumed
	Odd           float64 // a fresh pull that turns much less than the others. Assumed
	OddNear       float64 // one that turns a good deal less. Assumed
	OddNearWeight float64 // taught values that this chance is worth. Assumed
	OddHigh       float64 // and one that turns much more. Assumed

	// Duration and torque rate.
	LastSpread   float64 // of a fresh duration. Assumed
	RepeatLasts  float64 // a repeat's duration as a share of a fresh one's. Assumed
	RepeatLastSp float64 // Assumed
	Dependent    float64 // power of the duration's evidence where rotation is known. Assumed
	RateSpread   float64 // Found: slope after snug, sd 22 %
	RepeatRate   float64 // a repeat's torque rate over a fresh one's. Assumed
	RepeatRateSp float64 // Assumed
	SnugFresh    float64 // a snug point is found in a fresh pull. Assumed
	SnugRepeat   float64 // and in a repeat. Assumed
	BreakFresh   float64 // a breakaway is found in a fresh pull. Assumed
	BreakRepeat  float64 // and in a repeat. Assumed
	StillFresh   float64 // in a fresh pull nothing moved until just before the peak. Assumed
	StillRepeat  float64 // and in a repeat. Assumed

	// Torque at which a quarter of the rotation was made, as a share of the peak.
	Quarter        float64 // of fresh pulls. Assumed
	QuarterRange   float64 // of it, between joints and passes. Assumed
	QuarterSpread  float64 // within a pass. Assumed
	QuarterDF      float64 // values that this spread is worth. Assumed
	QuarterLow     float64 // how far that of a pull that ended low may lie off besides. Assumed
	QuarterOdd     float64 // a fresh one quite unlike the others. Assumed
	QuarterOddLow  float64 // the same where it is clear that it moved before its peak. Assumed
	QuarterOddTurn float64 // the same where it turned oddly little. Assumed
	QuarterTop     float64 // of a repeat: how far below the peak. Assumed
	QuarterEnds    float64 // the same of what ends a tightening that a swing began. Assumed
	QuarterClear   float64 // below it, where nothing seems to have moved until near the peak, the two disagree. Assumed
	QuarterUnclear float64 // of a fresh one unlike the others, where they do. Assumed
	QuarterAny     float64 // or anywhere. Assumed

	// Time between pulls.
	WalkS       float64 // Assumed
	WalkRange   float64 // between technicians. Assumed
	WalkSpread  float64 // within a pass. Assumed
	AtOnce      float64 // time to a second pull at once, as a share of the walk. Assumed
	AtOnceSp    float64 // Assumed
	Pause       float64 // a break before a pull. Assumed
	PauseS      float64 // Assumed
	PauseSpread float64 // Assumed
	DayWorth    float64 // values that a taught spread is worth beside those of the day. Assumed
	WaitWiden   float64 // variance of short waits over what was taught, with torque alone. Assumed
	WaitSkew    float64 // power of a short wait that is about normal. Assumed
	RepeatS     float64 // wait before a repeat, its pull included. Assumed
	RepeatRange float64 // of it, between people and places. Assumed
	OnceS       float64 // wait before a second pull at once, its pull included. Assumed

	// Swings, each sent by itself.
	Swing          float64 // a tightening that takes several swings, each sent by itself. Assumed
	SwingWeight    float64 // tightenings that this chance is worth before any was seen. Assumed
	SwingOften     float64 // that a tool sends each swing of a long tightening by itself. Assumed
	SwingsSeen     float64 // the same once an earlier pass of the job had some. Assumed
	SwingAll       float64 // of these, that nearly all fasteners of the joint take several. Assumed
	SwingNone      float64 // and the chance that one there takes none. Assumed
	SwingAllWeight float64 // tightenings that it is worth. Assumed
	SwingTaught    float64 // tightenings that a taught share is worth, at most. Assumed
	SwingSame      float64 // that today's tool and hands do as the joint taught. Assumed

	// Unfinished pulls.
	ArcDeg     float64 // their rotation. Assumed
	ArcRange   float64 // of it, between places. Assumed
	ArcSpread  float64 // within a pass. Assumed
	GripS      float64 // time until the tool pulls again at the same place. Assumed
	GripRange  float64 // Assumed
	GripSpread float64 // Assumed
	RestRise   float64 // by which the peak rises from swing to swing, at least. Assumed

	// Peak torque, as the logarithm of its ratio to the target.
	PeakRange  float64 // of a technician's mean. Assumed
	PeakSpread float64 // Assumed
	PeakRepeat float64 // a repeat's peak above a fresh one's. Assumed: static friction
	PeakRepSp  float64 // Assumed
	PeakOdd    float64 // a peak quite unlike the others. Assumed
	OddBare    float64 // the same where the peak is all that a pull tells but its time. Assumed
	OddTaught  float64 // and what the joint's first peaks do is known. Assumed
	PeakLow    float64 // a whole pull that ends far too low. Assumed

	// Limits.
	Keep               int     // hypotheses kept
	Prune              float64 // weight, as a share of the greatest, below which one is let go
	Odds               float64 // odds "somebody was left out" from which it is said. Calibrated, see model.md
	OddsTorque         float64 // the same of a joint of which only torque is known
	OddsUntaught       float64 // the same of a joint of which nothing was learned, where rotations are reported
	OddsTorqueUntaught float64 // and where they are not
	DoubtTimes         float64 // torque alone: by which the greatest odds of released jobs are to be exceeded. Our choice
	DoubtTimesTurned   float64 // the same where rotations are reported. Our choice
	DoubtMost          float64 // odds from which it is said in any case. Our choice
	OddsTrace          float64 // the same where whole traces were evaluated, learned or not
	AskP               float64 // chance that somebody was left out from which a question pays
	AskMin             float64 // chance of the least of two explanations that are worth a question
}

// Default returns the parameters in use.
func Default() *Params {
	return &Params{
		Habit: 0.010, HabitSlow: 0.25, HabitWeight: 10, LostPlace: 0.0015, LostAgain: 0.35, Check: 0.001, Skip: 0.003, SkipTwice: 0.1, Jump: 0.002, FreeOrder: 20,
		Back: 0.3, BackAmid: 0.03, BackWrong: 0.006, LeftAgain: 0.4, Nowhere: 0.0005, Elsewhere: 0.002, Loosened: 0.0002, Interrupted: 4, BreakS: 45,
		Swing: 0.01, SwingWeight: 10, SwingOften: 0.05, SwingsSeen: 0.5, SwingAll: 0.5, SwingNone: 0.005, SwingAllWeight: 50, SwingTaught: 20, SwingSame: 0.9, LeaveLow: 0.03, Asked: 0.9, StopEarly: 0.02, StopHole: 0.6,
		Unseen: 0.0002, UnseenGap: 0.85, Again: 0.45, Contiguous: 1e-7, PlaceWrong: 1e-4, AnswerWrong: 0.02,
		FreshSpread: 0.22, Skew: 0.4, SkewTaught: 0.8, SkewWeight: 200, FreshDF: 8, TurnsCarried: 0.5, TaughtMix: 3, DaysMix: 0.5, TaughtDF: 40, TurnNoise: 0.8, JobSpread: 0.08, JobWorth: 3, UntaughtDeg: 93, UntaughtRange: 1.25,
		RepeatDeg: 2.5, RepeatNetDeg: 0.5, TightWorth: 0.3, RepeatShare: 0.05, RepeatSpread: 0.7, RepeatBelow: 1.5, RelievedShare: 0.15, RelievedRange: 0.4, Relieved: 0.15, Odd: 0.00005, OddNear: 0.0001, OddNearWeight: 150, OddHigh: 0.003,
		LastSpread: 0.3, RepeatLasts: 0.45, RepeatLastSp: 0.5, Dependent: 0.3,
		RateSpread: 0.25, RepeatRate: 3, RepeatRateSp: 0.8, SnugFresh: 0.6, SnugRepeat: 0.02, BreakFresh: 0.01, BreakRepeat: 0.6, StillFresh: 0.01, StillRepeat: 0.95,
		Quarter: 0.55, QuarterRange: 0.25, QuarterSpread: 0.03, QuarterDF: 4, QuarterLow: 0.08, QuarterOdd: 0.01, QuarterOddLow: 0.1, QuarterOddTurn: 0.2, QuarterTop: 0.03, QuarterAny: 0.05, QuarterEnds: 0.15, QuarterClear: 0.85, QuarterUnclear: 0.3,
		WalkS: 5, WalkRange: 0.7, WalkSpread: 0.35, AtOnce: 0.35, AtOnceSp: 0.5, Pause: 0.03, PauseS: 40, PauseSpread: 1.2, DayWorth: dayBeside, WaitWiden: 1.4, WaitSkew: 0.4, RepeatS: 3.2, RepeatRange: 0.55, OnceS: 1.2,
		ArcDeg: 60, ArcRange: 0.8, ArcSpread: 0.5, GripS: 1.6, GripRange: 0.7, GripSpread: 0.4, RestRise: 0.01,
		PeakRange: 0.03, PeakSpread: 0.02, PeakRepeat: 0.008, PeakRepSp: 0.02, PeakOdd: 0.02, OddBare: 0.05, OddTaught: 0.005, PeakLow: 0.0005,
		Keep: 48, Prune: 1e-7, Odds: 0.05, OddsTorque: 0.1, OddsUntaught: 0.03, OddsTorqueUntaught: 0.065, DoubtTimes: 8, DoubtTimesTurned: 4, DoubtMost: 0.5, OddsTrace: 0.2, AskP: 0.1, AskMin: 0.03,
	}
}
