package core

import (
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/topic"
)

// Action is something for the shell to do. Actions are done in their order.
type Action interface{ action() }

// The actions. Commit, Fetch and Delete are each answered by an event, and
// there is never more than one of a kind unanswered.
type (
	// Publish sends a message; it may get lost.
	Publish struct {
		Kind    topic.Kind
		Payload []byte
	}
	// ToKeyer passes a message to the keyer; it may get lost with it.
	ToKeyer struct{ Message *keyerv1.ToKeyer }
	// Commit writes all of this in one durable transaction, or nothing. The
	// records have neither boot nor seq yet: the outbox numbers them, from 1
	// within the run and without gaps.
	Commit struct {
		ID      uint64
		Records []*wirev1.Record
		Open    []Intent
		Close   []slot.Number
		Saved   Saved
	}
	// Fetch reads the oldest records of the outbox behind a position.
	Fetch struct {
		After      int64
		MaxRecords int
		MaxBytes   int
	}
	// Delete removes records that the coordinator has stored for good.
	Delete struct{ Ranges []*wirev1.ReceiptRange }
	// Log is a line for the people at the beacon.
	Log struct {
		Warning  bool
		Sentence string
	}
)

func (Publish) action() {}
func (ToKeyer) action() {}
func (Commit) action()  {}
func (Fetch) action()   {}
func (Delete) action()  {}
func (Log) action()     {}
