package keyer_test

import (
	"testing"
	"time"

	"lamplighter/agent/keyer"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

// S5: relays are set, and have settled, before the first second of the slot is
// over.
func TestS5TheTransmitterIsPreparedWithinTheSlot(t *testing.T) {
	b := ready(t, transmission(0))
	b.until(noon.Add(-3 * time.Second))
	b.permit(0)
	b.until(noon.Add(2 * time.Second))
	if len(b.prepared) != 1 {
		t.Fatalf("prepared: %v", b.prepared)
	}
	prepared, key := b.prepared[0], edge{}
	for _, e := range b.edges {
		if e.what == "key" {
			key = e
		}
	}
	if ahead := key.at - prepared.at; ahead != 750*time.Millisecond || prepared.hz != key.hz {
		t.Errorf("prepared %v ahead for %v Hz; %+v", ahead, prepared.hz, key)
	}
}

// What may not be keyed is not prepared, and what could be after all still is.
func TestOnlyWhatMayBeKeyedIsPrepared(t *testing.T) {
	b := ready(t, transmission(0))
	b.until(noon.Add(-3 * time.Second))
	b.permit(0)
	beat := b.beat
	b.beat = nil
	b.until(noon.Add(600 * time.Millisecond))
	if len(b.prepared) != 0 {
		t.Fatalf("prepared without an agent: %v", b.prepared)
	}
	b.beat, b.beatAt = beat, b.now.Boot
	b.pass(10 * time.Millisecond)
	if len(b.prepared) != 1 {
		t.Fatalf("not prepared: %v", b.prepared)
	}
	b.pass(time.Second)
	if !b.carrier || len(b.prepared) != 1 {
		t.Errorf("carrier %v, prepared %v", b.carrier, b.prepared)
	}
}

// What was prepared and is not sent is undone.
func TestAPreparedSlotThatIsSkippedIsUndone(t *testing.T) {
	for name, spoil := range map[string]func(*bench){
		"hushed":    func(b *bench) { b.sendHush(sealHush(hush(10, 1, "20m", "40m"))) },
		"no beat":   func(b *bench) { b.beat = nil },
		"read-back": func(b *bench) { b.step(keyer.ReadBackMismatch{}) },
		"late":      func(b *bench) { b.skip(2 * time.Second); b.step(keyer.Tick{}) },
	} {
		t.Run(name, func(t *testing.T) {
			b := ready(t, transmission(0))
			b.until(noon.Add(-3 * time.Second))
			b.permit(0)
			b.until(noon.Add(500 * time.Millisecond))
			if len(b.prepared) != 1 {
				t.Fatalf("prepared: %v", b.prepared)
			}
			spoil(b)
			b.pass(time.Second)
			if n := len(b.edges); b.carrier || n == 0 || b.edges[n-1].what != "unkey" || b.edges[n-1].at < b.prepared[0].at {
				t.Errorf("carrier %v, %v", b.carrier, b.edges)
			}
		})
	}
}

// S7: a generator that can only be stopped over the bus is for local control
// only.
func TestS7WithoutAKeyLineOnlyLocalControlKeys(t *testing.T) {
	for control, want := range map[wirev1.Control]keyer.Reason{remote: keyer.LocalOnly, automatic: keyer.LocalOnly, local: ""} {
		b := newBench(t)
		b.config.LocalOnly = true
		b.start()
		b.pass(time.Second)
		b.accepted(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(5, func(e *wirev1.Envelope) {
			e.Bands[0].Control = control
		}))))
		b.accepted(b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 1, transmission(0, func(t *wirev1.Transmission) {
			t.Control = control
		})))))
		b.lease(10)
		b.until(noon.Add(-3 * time.Second))
		if got := b.permit(0).GetReason(); got != string(want) {
			t.Errorf("%v: %q, want %q", control, got, want)
		}
	}
}
