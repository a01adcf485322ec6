package judge

// Reason says why the time is not known, or what stands against a witness.
type Reason string

// The reasons.
const (
	Agreed       Reason = "agreed"        // nothing stands against it
	Starting     Reason = "starting"      // nobody has said anything yet
	Silent       Reason = "silent"        // nothing for five seconds
	NoFix        Reason = "no_fix"        // the receiver has no fix; its time is its battery clock's
	NotAFix      Reason = "not_a_fix"     // a fix by dead reckoning, by hand or simulated
	NoTime       Reason = "no_time"       // a fix, but no time with it
	BeforeBuild  Reason = "before_build"  // a date at which this program did not exist
	FarFuture    Reason = "far_future"    // a date at which it hardly exists any more
	WeekRollback Reason = "week_rollback" // a date that lies a multiple of 1024 weeks back
	LeapHoldOff  Reason = "leap_hold_off" // the receiver may not know the leap seconds yet
	LeapSecond   Reason = "leap_second"   // a second is being inserted or left out
	LeapUnknown  Reason = "leap_unknown"  // nobody said whether one is
	Unsteady     Reason = "unsteady"      // the receiver's seconds don't follow each other
	WildPulses   Reason = "wild_pulses"   // the pulses don't come once a second
	WrongSecond  Reason = "wrong_second"  // sentence and pulse of the receiver contradict each other
	Unsynced     Reason = "unsynced"      // the daemon has no reference
	LocalOnly    Reason = "local_only"    // the daemon's reference is its own clock
	OneWitness   Reason = "one_witness"   // only one says which second it is
	Contradicted Reason = "contradicted"  // two witnesses exclude each other
	Jumped       Reason = "jumped"        // a witness left what was known
	Suspended    Reason = "suspended"     // the machine slept
)

// sentences tell a person what is the matter and what to do.
var sentences = map[Reason]string{
	Agreed:       "The sources of time agree.",
	Starting:     "No source of time has said anything yet.",
	Silent:       "The source of time has been silent for 5 seconds; look at its cable, its power and its service.",
	NoFix:        "The receiver has no fix, so its time is that of its own battery clock; look at the antenna's view of the sky.",
	NotAFix:      "The receiver's position comes from dead reckoning, by hand or from a simulation, and so may its time.",
	NoTime:       "The receiver has a fix, but does not say the time; let it send RMC or ZDA sentences.",
	BeforeBuild:  "The receiver says a date at which this program did not exist.",
	FarFuture:    "The receiver says a date that lies more than 20 years after this program was made.",
	WeekRollback: "The receiver's date lies a multiple of 1024 weeks back, as that of old receivers does; it needs newer firmware.",
	LeapHoldOff:  "The receiver was just switched on and may not know the leap seconds yet; this takes 15 minutes.",
	LeapSecond:   "A leap second is being applied.",
	LeapUnknown:  "At the end of June or December nobody said whether there is a leap second; let the machine's time daemon run.",
	Unsteady:     "The seconds that the receiver says do not follow each other.",
	WildPulses:   "The receiver's pulses do not come once a second; look at the pulse line.",
	WrongSecond:  "The receiver's pulse and its sentences contradict each other about which second it is.",
	Unsynced:     "The machine's time daemon is not synchronised.",
	LocalOnly:    "The machine's time daemon refers to its own clock only.",
	OneWitness:   "Only one source says which second it is; let the machine's time daemon run with two servers or more.",
	Contradicted: "The sources of time contradict each other.",
	Jumped:       "A source of time jumped away from what was known.",
	Suspended:    "The machine slept; the time must be confirmed anew.",
}

// Sentence tells a person what is the matter.
func (r Reason) Sentence() string { return sentences[r] }
