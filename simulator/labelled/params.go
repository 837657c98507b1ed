package labelled

// What the generator assumes. "Found" figures were seen in open data or
// printed tables; "invented" ones are our own choice, made so that the work
// looks like work, and deliberately not taken from the rules.
const (
	// Joint. ISO 5393: from 10 % of the torque on a hard joint takes at most
	// 27 degrees, a soft one 324 (2017) or 650 (1994); all from memory.
	hardestDeg, softestDeg = 15.0, 360.0
	startShare             = 0.10 // of the final target, where the angle of a joint begins; ISO 5393, from memory
	// Knee of two straight lines at 22 to 53 % of target, in 90 % of runs;
	// median 32 %. Found: screw-tightening-wear.
	kneeLow, kneeHigh = 0.22, 0.53
	// How much steeper the torque rises after the knee than before it. Found: 14
	// times on a station that also runs the screw in; a wrench meets a fastener
	// that was run in by hand: invented, so that a joint's angle is not all run-in.
	kneeSteeper = 4.0
	// Torque rate after the knee, coefficient of variation. Found:
	// screw-tightening-wear (sd 0.0040 at 0.0173 N·m/deg). The generator puts it
	// on the angle, which is as large to first order.
	turnCV = 0.22
	jobCV  = 0.06 // of a joint's angle from job to job; invented
	// Joints whose neighbours take preload from each other, so that a repeat
	// turns too: which, how often, and by what share of the last pass's turn.
	// Invented.
	gasketLeast, gasketChance = 60.0, 0.25 // degrees
	gasketLow, gasketRange    = 0.10, 0.25
	// A pull that takes up where the last one stopped starts 7.8 % higher (2.6
	// to 14.4 %). Found: open anchor-rod measurements, 18 restarts.
	restart, restartSD = 0.078, 0.033

	// Value. Invented; a trained hand with a measuring wrench.
	handSD                  = 0.018 // of target, one pull to the next
	repeatSD                = 0.022 // the same on a fastener that is tight
	repeatShift             = 0.008 // static friction: how much higher a repeat stops, of target
	aimMean, aimSD          = 0.010, 0.010
	swingLeast, swingMost   = 0.40, 0.93 // peak of an unfinished swing, of target
	neighbourTurnSD         = 0.40       // coefficient of variation of a repeat's turn on a gasketed joint
	repeatTurnDeg           = 0.3        // mean turn of a repeat beside 1.5 % of the joint's angle
	repeatTurnShare         = 0.015
	slowDegS                = 60.0 // a hand's speed, degrees a second
	durationCV              = 0.03
	pullStartS              = 0.30 // a pull's duration beside its turning
	fitS                    = 1.6  // to fit the socket to the next head
	refitS                  = 1.2  // to fit it again to the same one
	walkMMS                 = 180.0
	walkSD                  = 0.35 // of the logarithm
	paceSD                  = 0.18 // of the logarithm, job to job
	pauseChance, pauseS     = 0.03, 40.0
	swingGapS, swingGapSD   = 1.1, 0.30
	secondGapS, secondGapS2 = 1.0, 0.35
	hesitate                = 1.5 // how much longer a walk takes once the place is lost
	elsewhereS              = 20.0

	// Habits. Invented, so that a plain count alarms in about a tenth of the
	// clean jobs.
	habitChance             = 0.05 // technicians who pull twice by habit
	secondOften, secondRare = 0.10, 0.0003
	ratchetChance           = 0.07 // technicians who stop a swing before its end
	swingOften, swingRare   = 0.05, 0.0007
	swapChance              = 0.06  // of one pair of neighbours in an order that is only advised
	lateChance              = 0.008 // of a delivery that waits
	lateS                   = 25.0
)

// Traces; from screw-tightening-wear where found.
const (
	traceZeroSD     = 0.010  // of target; first samples +0.014 of 1.4 N·m. Found
	traceEnd        = 0.037  // last sample, of target. Found
	rippleShare     = 0.055  // of the local torque while running in, alternating. Found: 4 to 7 %
	finalNoise      = 0.0024 // of target. Found
	traceStepDeg    = 0.25   // Found
	halfFallS       = 0.0114 // half the torque is gone this long after the peak. Found
	dipChance       = 0.10   // Found in 74 % of station runs, at the change of step; a hand has no such step: invented
	dipDepth        = 0.17   // Found
	dipS            = 0.022  // Found
	runInLow        = 0.09   // of target. Found: 0.12 to 0.43 of 1.4 N·m by use of the hole
	runInHigh       = 0.22
	repeatTimeStamp = 0.008 // of samples with the stamp of the one before. Found
)
