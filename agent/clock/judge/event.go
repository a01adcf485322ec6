package judge

import "time"

// Event is something that a source says.
type Event interface{ event() }

// Fix is what kind of a fix a receiver has.
type Fix int

// The kinds of fix, the worst first.
const (
	FixNone    Fix = iota
	FixDoubted     // by dead reckoning, by hand, or simulated
	FixReal        // by satellites
)

// Leap is what is announced for the end of this day.
type Leap int

// The announcements.
const (
	LeapUnsaid Leap = iota
	LeapNone
	LeapInsert // the last minute has 61 seconds
	LeapDelete // the last minute has 59 seconds
)

// The events.
type (
	// Sentence is what a receiver says about the present second.
	Sentence struct {
		Time       time.Time // of the second it speaks of; zero: it says none
		Fix        Fix
		Satellites *uint32   // used in the fix; nil: not said
		Arrived    time.Time // by the wall clock; zero: just now
	}
	// Pulse is a receiver's pulse, and which second it began.
	Pulse struct {
		Real      time.Time     // the second that began
		Clock     time.Time     // what the wall clock showed
		Precision time.Duration // how wrong Clock may be
	}
	// Satellites is how many satellites the fix rests on.
	Satellites struct{ Used uint32 }
	// Daemon is what the machine's time daemon, or the kernel, says.
	Daemon struct {
		Synchronised bool
		Local        bool          // its reference is its own clock, or the receiver that is heard here too
		Servers      int           // how many agree; 0: not said
		Offset       time.Duration // true time less wall clock
		Bound        time.Duration // how wrong that may be
		Leap         Leap
	}
	// Temperature is that of the machine, in Celsius.
	Temperature struct{ Celsius float64 }
)

func (Sentence) event()    {}
func (Pulse) event()       {}
func (Satellites) event()  {}
func (Daemon) event()      {}
func (Temperature) event() {}
