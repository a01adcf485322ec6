package core

import (
	"time"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/topic"
)

// Instant is one moment on two clocks.
type Instant struct {
	Wall time.Time     // the system's wall clock, which may be wrong and may be stepped
	Boot time.Duration // since the kernel started, suspended time included; never steps
}

// Event is something that happened.
type Event interface{ event() }

// The events.
type (
	// LinkUp says that the broker has accepted the connection and every
	// subscription.
	LinkUp struct{}
	// LinkDown says that the connection is gone.
	LinkDown struct{}
	// Message is one that came over the link.
	Message struct {
		Kind    topic.Kind
		Payload []byte
	}
	// ClockRead is a reading of the clock source.
	ClockRead struct{ Reading Reading }
	// Sensed is what the sensors measure.
	Sensed struct{ Sensors Sensors }
	// KeyerSaid is a message from the keyer.
	KeyerSaid struct{ Message *keyerv1.FromKeyer }
	// KeyerLost says that the keyer's end of the pipe is closed.
	KeyerLost struct{}
	// Committed says that a Commit is on the disk.
	Committed struct {
		ID   uint64
		Room Room
	}
	// CommitFailed says that a Commit is not on the disk, or not surely.
	CommitFailed struct {
		ID       uint64
		Sentence string
	}
	// Fetched answers Fetch: at most what was asked for, oldest first.
	Fetched struct {
		After   int64
		Records []Stored
		More    bool // whether the outbox held more than this
	}
	// FetchFailed answers Fetch when the outbox can't be read.
	FetchFailed struct{ Sentence string }
	// Deleted answers Delete.
	Deleted struct {
		Failed bool
		Room   Room
	}
	// Licensed brings an envelope that the coordinator gave since, sealed.
	Licensed struct{ Envelope []byte }
	// Tick says that the time that Next asked for has come.
	Tick struct{}
	// Stop asks for a clean end: key up, write down, be Done.
	Stop struct{}
)

func (LinkUp) event()       {}
func (Licensed) event()     {}
func (LinkDown) event()     {}
func (Message) event()      {}
func (ClockRead) event()    {}
func (Sensed) event()       {}
func (KeyerSaid) event()    {}
func (KeyerLost) event()    {}
func (Committed) event()    {}
func (CommitFailed) event() {}
func (Fetched) event()      {}
func (FetchFailed) event()  {}
func (Deleted) event()      {}
func (Tick) event()         {}
func (Stop) event()         {}

// Sensors are measurements; nil: there is no sensor, or it can't be read.
type Sensors struct {
	SupplyVolts    *float64
	ForwardWatts   *float64
	ReflectedWatts *float64
}

// Room is what the outbox holds and what is left for it.
type Room struct {
	Records   uint64
	FreeBytes *uint64 // nil: not known
}

// Key names a record of this beacon.
type Key struct {
	Boot string
	Seq  uint64
}

// Stored is a record as it stands in the outbox.
type Stored struct {
	Position int64 // grows with each record, over all runs
	Key      Key
	Bytes    []byte // a serialised Record
}

// Restored is what the disk says when a run starts.
type Restored struct {
	PreviousBoot    string // empty: there was none
	PreviousLastSeq uint64
	Saved           Saved
	Intents         []Intent
	Records         uint64 // in the outbox
	Trouble         string // what was wrong with the disk, in a sentence; empty: nothing
}

// Saved is what a later run needs to know. Orders and Hush are sealed messages
// as they came.
type Saved struct {
	Orders    []byte
	Hush      []byte
	Accounted slot.Number // of the slots of Orders up to here, each has its outcome or its intent
	Tally     Tally
	Newer     Newer
}

// Newer is the number of orders that need a newer program, and the format that
// they need; zero: there were none since the orders in force.
type Newer struct {
	Epoch, Revision uint64
	Reader          uint32
}

// Tally counts the outcomes of slots that started in one UTC day.
type Tally struct {
	Day           int32 // since 1970-01-01
	Sent, Skipped uint32
}

// Intent is an outcome without its end: the slot is in the keyer's hands or was
// about to be.
type Intent struct {
	Slot    slot.Number
	Outcome *wirev1.Outcome
}
