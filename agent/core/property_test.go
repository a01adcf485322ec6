package core_test

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// Whatever happens in whatever order, with the agent killed at any moment:
// every ordered slot has exactly one outcome, records have no gaps, and none is
// deleted without a receipt. That no slot is permitted without an intent on the
// disk, and none deleted without a receipt, the world itself checks.
func TestEverySlotHasExactlyOneOutcome(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(t)
		w.start()
		w.connect()
		revision, came := uint64(0), map[uint64]time.Time{}
		for range rapid.IntRange(5, 60).Draw(t, "steps") {
			what := rapid.SampledFrom([]string{
				"wait", "wait", "wait", "wait", "short", "short", "short", "orders", "orders", "kill", "kill",
				"disk", "slow", "settle", "link", "keyer", "hush", "clock", "receipt", "mute",
			}).Draw(t, "what")
			switch what {
			case "wait":
				w.advance(time.Duration(rapid.IntRange(1, 400).Draw(t, "seconds")) * time.Second)
			case "short":
				w.advance(time.Duration(rapid.IntRange(1, 5000).Draw(t, "milliseconds")) * time.Millisecond)
			case "orders":
				revision++
				came[revision] = w.now.Wall
				w.order(drawOrders(t, w, revision))
			case "kill":
				w.kill()
				w.advance(time.Duration(rapid.SampledFrom([]int{0, 1, 60, 500}).Draw(t, "off")) * time.Second)
				w.start()
			case "disk":
				w.disk.full = !w.disk.full
			case "slow":
				w.slowDisk = true
			case "settle":
				w.slowDisk = false
				w.settle()
			case "link":
				if w.linkUp = !w.linkUp; w.linkUp {
					w.connect()
				} else {
					w.disconnect()
				}
			case "keyer":
				if w.keyer.status != nil {
					w.keyer.status, w.keyer.permits = nil, nil
					w.step(core.KeyerLost{})
				}
				w.keyerStarts()
			case "hush":
				w.hush(uint64(w.now.Boot), rapid.SampledFrom([][]string{{}, {""}, {"40m"}, {"20m"}}).Draw(t, "bands")...)
			case "clock":
				w.clock.Known = !w.clock.Known
			case "mute":
				w.mute = !w.mute
			case "receipt":
				if n := len(w.disk.stored); n > 0 {
					key := w.disk.stored[rapid.IntRange(0, n-1).Draw(t, "which")].Key
					w.receipt(key.Boot, key.Seq, key.Seq)
				}
			}
		}
		// All is well again, long enough for everything to be written.
		w.disk.full, w.slowDisk, w.mute, w.clock.Known = false, false, false, true
		w.settle()
		w.kill()
		w.start()
		w.connect()
		w.advance(15 * time.Minute)
		checkOutcomes(t, w, came)
		checkNumbers(t, w)
	})
}

func drawOrders(t *rapid.T, w *world, revision uint64) *wirev1.Orders {
	now := int64(slot.Standard.At(w.now.Wall))
	var slots []int64
	for n := now - 3; n < now+12; n++ {
		if rapid.Bool().Draw(t, "ordered") {
			slots = append(slots, n)
		}
	}
	o := ordersFor(revision, nil)
	o.FromSlot, o.ToSlot = now-3, now+12
	o.Transmissions = ordersFor(revision, slots).Transmissions
	return o
}

// checkOutcomes holds the outcomes against the orders that were on the disk
// when each slot came.
func checkOutcomes(t *rapid.T, w *world, came map[uint64]time.Time) {
	found := map[string]int{}
	for _, o := range w.outcomes() {
		n := o.GetTransmission().GetSlot()
		key := fmt.Sprintf("%d under %d", n, o.GetOrders().GetRevision())
		found[key]++
		if keyed := w.keyer.keyed[n]; keyed && o.GetKind() == wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED {
			t.Fatalf("slot %s was keyed and is told as skipped (%s)", key, o.GetReason())
		} else if !keyed && o.GetKind() == wirev1.OutcomeKind_OUTCOME_KIND_SENT {
			t.Fatalf("slot %s was not keyed and is told as sent", key)
		}
	}
	bySlot := map[int64]int{}
	for _, o := range w.outcomes() {
		if bySlot[o.GetTransmission().GetSlot()]++; bySlot[o.GetTransmission().GetSlot()] > 1 {
			t.Fatalf("slot %d has more than one outcome: %v", o.GetTransmission().GetSlot(), w.told())
		}
	}
	for _, change := range w.disk.changes {
		until := w.now.Wall.Add(-3 * time.Minute) // by then a slot has its end
		for revision, at := range came {          // newer ones may withdraw what has not begun
			if revision > change.orders.GetRevision() && at.Before(until) {
				until = at
			}
		}
		for _, tx := range change.orders.GetTransmissions() {
			start := slot.Standard.Start(slot.Number(tx.GetSlot()))
			key := fmt.Sprintf("%d under %d", tx.GetSlot(), change.orders.GetRevision())
			switch held := start.After(change.at) && start.Before(until); {
			case held && found[key] != 1:
				t.Fatalf("slot %s has %d outcomes; in all: %v", key, found[key], w.told())
			case start.Before(came[change.orders.GetRevision()]) && found[key] != 0:
				t.Fatalf("slot %s began before its orders came and has an outcome", key)
			}
		}
	}
}

// checkNumbers looks for gaps within runs and between them.
func checkNumbers(t *rapid.T, w *world) {
	boot, seq := "", uint64(0)
	for _, r := range w.disk.all {
		if r.GetBoot() != boot {
			started := r.GetRunStarted()
			if r.GetSeq() != 1 || started == nil || started.GetPreviousBoot() != boot || started.GetPreviousLastSeq() != seq {
				t.Fatalf("after record %d of run %q comes %v", seq, boot, r)
			}
			boot, seq = r.GetBoot(), 0
		}
		if seq++; r.GetSeq() != seq {
			t.Fatalf("record %d of run %s comes in the place of %d", r.GetSeq(), boot, seq)
		}
	}
}
