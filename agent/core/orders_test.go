package core_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"

	"lamplighter/agent/core"
)

func revision(n *wirev1.OrdersNumber) uint64 { return n.GetRevision() }

func TestOrdersAreConfirmedOnlyWhenBothHoldThemOnDisk(t *testing.T) {
	for _, test := range []struct {
		name   string
		before func(*world)
		want   uint64
	}{
		{"both", func(*world) {}, 1},
		{"the keyer says nothing", func(w *world) { w.keyer.deaf = true; w.keyer.refuse = "not_on_disk" }, 0},
		{"the keyer refuses", func(w *world) { w.keyer.refuse = "out_of_bounds" }, 0},
		{"the agent's disk is full", func(w *world) { w.disk.full = true }, 0},
		{"the agent's disk has not answered", func(w *world) { w.slowDisk = true }, 0},
	} {
		t.Run(test.name, func(t *testing.T) {
			w := running(t)
			test.before(w)
			w.order(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
			w.advance(10 * time.Second)
			if got := revision(w.live().GetOrders()); got != test.want {
				t.Errorf("health confirms revision %d, want %d", got, test.want)
			}
			if got := revision(w.latestRequest().GetConfirmed()); got != test.want {
				t.Errorf("the lease request confirms revision %d, want %d", got, test.want)
			}
		})
	}
}

func TestOrdersThatTheKeyerRefusesHaveNoEffect(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
	w.advance(time.Second)
	w.keyer.refuse = "slot_length"
	w.order(ordersFor(2, []int64{slotAt(6 * time.Minute)}))
	w.until(midnight.Add(10 * time.Minute))
	if diff := cmp.Diff([]string{"2 sent"}, w.told()); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]string{"orders_refused"}, w.events()); diff != "" {
		t.Error(diff)
	}
}

func TestANewSetOfOrdersReplacesTheOldOneWhole(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(2 * time.Minute), slotAt(6 * time.Minute), slotAt(8 * time.Minute)}))
	w.until(midnight.Add(5 * time.Minute))
	w.order(ordersFor(2, []int64{slotAt(2 * time.Minute), slotAt(4 * time.Minute), slotAt(8 * time.Minute)}))
	w.until(midnight.Add(12 * time.Minute))
	// Slot 3 is withdrawn; slots 1 and 2 began before the new orders came.
	if diff := cmp.Diff([]string{"1 sent", "4 sent"}, w.told()); diff != "" {
		t.Error(diff)
	}
	for i, want := range []uint64{1, 2} {
		if got := revision(w.outcomes()[i].GetOrders()); got != want {
			t.Errorf("outcome %d names revision %d, want %d", i, got, want)
		}
	}
}

func TestOrdersThatComeBetweenADecisionAndItsSlotWaitForTheSlot(t *testing.T) {
	for _, hushed := range []bool{false, true} {
		w := running(t)
		if hushed {
			w.hush(1, "")
		}
		w.order(ordersFor(1, []int64{slotAt(4 * time.Minute), slotAt(6 * time.Minute)}))
		w.until(midnight.Add(4*time.Minute - 2*time.Second))
		w.order(ordersFor(2, []int64{slotAt(8 * time.Minute)}))
		w.advance(time.Second)
		if got := revision(w.keyer.status.GetOrders()); got != 1 {
			t.Errorf("the keyer was given revision %d before the slot began", got)
		}
		w.advance(2 * time.Second)
		if got := revision(w.keyer.status.GetOrders()); got != 2 {
			t.Errorf("after the start of the slot the keyer holds revision %d", got)
		}
		w.until(midnight.Add(11 * time.Minute))
		want := []string{"2 sent", "4 sent"}
		if hushed {
			want = []string{"2 skipped hushed", "4 skipped hushed"}
		}
		if diff := cmp.Diff(want, w.told()); diff != "" {
			t.Error(diff)
		}
	}
}

func TestARetainedMessageThatComesAgainIsNoNews(t *testing.T) {
	w := running(t)
	message := sealed(signer, seal.Orders, ordersFor(1, []int64{slotAt(4 * time.Minute)}))
	for range 3 {
		w.step(core.Message{Kind: topic.Orders, Payload: message})
		w.advance(time.Second)
	}
	if len(w.events()) != 0 {
		t.Errorf("events: %v", w.events())
	}
}

func TestANewKeyerIsGivenEverything(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
	w.hush(3, "20m")
	w.advance(time.Second)
	w.keyer.status = nil
	w.step(core.KeyerLost{})
	w.toKeyer = nil
	w.keyerStarts() // with nothing on its disk
	w.advance(2 * time.Second)
	s := w.keyer.status
	if s.GetEnvelope() != 7 || revision(s.GetOrders()) != 1 || s.GetHush().GetNumber() != 3 {
		t.Errorf("the new keyer holds %v", s)
	}
	w.until(midnight.Add(7 * time.Minute))
	if diff := cmp.Diff([]string{"2 sent"}, w.told()); diff != "" {
		t.Error(diff)
	}
}

func TestARestartedAgentPresentsWhatItHas(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
	w.hush(3, "20m")
	w.advance(time.Second)
	w.kill()
	w.start() // without a link
	w.advance(2 * time.Second)
	s := w.keyer.status
	if revision(s.GetOrders()) != 1 || s.GetHush().GetNumber() != 3 {
		t.Errorf("the keyer holds %v", s)
	}
}

func TestASlotThatBeginsWhileOrdersChangeIsAccountedFor(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
	w.until(midnight.Add(4*time.Minute - 6*time.Second))
	w.slowDisk, w.readAt = true, w.now.Boot+time.Hour // the keyer's verdict takes until after the start
	w.order(ordersFor(2, []int64{slotAt(8 * time.Minute)}))
	w.advance(5 * time.Second)
	w.now.Wall, w.now.Boot = w.now.Wall.Add(time.Second), w.now.Boot+time.Second
	w.slowDisk, w.readAt = false, 0
	w.settle()
	w.until(midnight.Add(11 * time.Minute))
	if diff := cmp.Diff([]string{"2 skipped clock_unsure", "4 sent"}, w.told()); diff != "" {
		t.Error(diff)
	}
}

// A decision outlives the run that took it: in newer orders the slot would have
// no outcome, for it is accounted for under the old ones.
func TestOrdersWaitForASlotThatAnEarlierRunDecidedOn(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute), slotAt(6 * time.Minute)}))
	w.until(midnight.Add(4*time.Minute - 2*time.Second))
	w.kill()
	w.start()
	w.connect()
	w.order(ordersFor(2, []int64{slotAt(4 * time.Minute), slotAt(8 * time.Minute)}))
	w.advance(time.Second)
	if got := revision(w.keyer.status.GetOrders()); got != 1 {
		t.Errorf("the keyer was given revision %d before the slot began", got)
	}
	w.until(midnight.Add(11 * time.Minute))
	if diff := cmp.Diff([]string{"2 aborted agent_restarted", "4 sent"}, w.told()); diff != "" {
		t.Error(diff)
	}
	if got := revision(w.outcomes()[0].GetOrders()); got != 1 {
		t.Errorf("the outcome names revision %d, want the one under which the slot was decided on", got)
	}
}
