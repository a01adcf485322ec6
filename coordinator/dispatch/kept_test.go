package dispatch

import (
	"testing"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/fleet"
	"lamplighter/proto/topic"
)

// A coordinator that hung while it led wakes, and has the broker keep that
// nothing is hushed. A device that comes new would believe it.
func TestWhatAFormerLeaderSaysIsNotKept(t *testing.T) {
	b := newBench(t, twoNear)
	b.lead()
	b.give(HushOrder{Scope: fleet.Scope{Beacon: "mill-hf"}, Reason: "a trial", By: "operator"})
	receive(t, b.of(at("mill-hf").Topic(topic.Hush)))
	b.release(fleet.Scope{Beacon: "mill-hf"})
	released := receive(t, b.of(at("mill-hf").Topic(topic.Hush)))
	b.give(HushOrder{Scope: fleet.Scope{Beacon: "mill-hf"}, Reason: "mast work", By: "operator"})
	hushed := receive(t, b.of(at("mill-hf").Topic(topic.Hush)))
	orders := receive(t, b.of(at("mill-hf").Topic(topic.Orders)))
	echo := func(m broker.Message, payload []byte) {
		done := make(chan struct{})
		b.d.HandleKept(broker.Delivery{Topic: m.Topic, Payload: payload, Done: func() { close(done) }})
		receive(t, done)
	}
	echo(hushed, released.Payload)
	echo(orders, []byte("a stranger's word"))
	for _, ours := range []broker.Message{hushed, orders} {
		if again := receive(t, b.of(ours.Topic)); string(again.Payload) != string(ours.Payload) {
			t.Errorf("another message is kept as %s", ours.Topic)
		}
	}
	echo(hushed, hushed.Payload)
	echo(orders, orders.Payload)
	if len(b.of(hushed.Topic)) != 0 {
		t.Error("our own word is taken for another's")
	}
}
