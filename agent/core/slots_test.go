package core_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// running is a world with a connected agent that has a lease.
func running(t *testing.T) *world {
	w := newWorld(t)
	w.start()
	w.connect()
	w.advance(3 * time.Second)
	return w
}

func TestASlotIsSentAndReported(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
	w.until(midnight.Add(5 * time.Minute))
	if h := w.live(); !h.GetOnAir() || h.GetBand() != "40m" || h.GetSlot() != slotAt(4*time.Minute) || h.GetMuteReason() != "" {
		t.Errorf("in mid-slot the live health says %v", h)
	}
	w.until(midnight.Add(8 * time.Minute))
	if diff := cmp.Diff([]string{"2 sent"}, w.told()); diff != "" {
		t.Error(diff)
	}
	o := w.outcomes()[0]
	start := midnight.Add(4 * time.Minute)
	if permitted := time.UnixMicro(o.GetPermittedUnixUs()); permitted.After(start) || permitted.Before(start.Add(-6*time.Second)) {
		t.Errorf("permitted at %v, want within the seconds before %v", permitted.UTC(), start)
	}
	if o.GetKeyedUnixUs() != start.Add(time.Second).UnixMicro() || o.GetUnkeyedUnixUs() != start.Add(112*time.Second).UnixMicro() || o.GetSymbols() != 162 {
		t.Errorf("the keyer's times did not reach the outcome: %v", o)
	}
	if o.GetClockErrorBoundNs() != int64(time.Millisecond) {
		t.Errorf("clock bound %d ns, want 1 ms", o.GetClockErrorBoundNs())
	}
	if h := w.live(); h.GetOnAir() || h.GetSentToday() != 1 || h.GetSkippedToday() != 0 {
		t.Errorf("after the slot the live health says %v", h)
	}
}

// Every refusal has its reason, and none of them reaches the keyer.
func TestWhySlotsAreNotUsed(t *testing.T) {
	const send = "2 sent"
	ppb := func(v float64) *float64 { return &v }
	for _, test := range []struct {
		name   string
		before func(*world) // once the orders are in force, three minutes before the slot
		want   string
	}{
		{"nothing is in the way", func(*world) {}, send},
		{"everything is hushed", func(w *world) { w.hush(1, "") }, "2 skipped hushed"},
		{"the band is hushed", func(w *world) { w.hush(1, "40m") }, "2 skipped hushed"},
		{"another band is hushed", func(w *world) { w.hush(1, "20m") }, send},
		{"the hush was released", func(w *world) { w.hush(1, ""); w.hush(2) }, send},
		{"the clock's bound is just good enough", func(w *world) { w.clock.Bound = 500 * time.Millisecond }, send},
		{"the clock's bound is too large", func(w *world) { w.clock.Bound = 500*time.Millisecond + 1 }, "2 skipped clock_unsure"},
		{"the clock's bound is not known", func(w *world) { w.clock.Known = false }, "2 skipped clock_unsure"},
		{"the clock's bound is impossible", func(w *world) { w.clock.Bound = -1 }, "2 skipped clock_unsure"},
		{"the clock source has fallen silent", func(w *world) { w.mute = true }, "2 skipped clock_unsure"},
		{"the clock source says a date before the program was built", func(w *world) { w.clock.Offset = -40 * 24 * time.Hour }, "2 skipped clock_unsure"},
		{"the frequency is as uncertain as the plan allowed", func(w *world) { w.clock.FrequencyPPB = ppb(50) }, send},
		{"the frequency is less certain than the plan allowed", func(w *world) { w.clock.FrequencyPPB = ppb(51) }, "2 skipped frequency_unsure"},
		{"the frequency's uncertainty is not known", func(w *world) { w.clock.FrequencyPPB = nil }, "2 skipped frequency_unsure"},
		{"the lease has run out", func(w *world) { w.grant = nil; w.keyer.left = nil }, "2 skipped no_lease"},
		{"the lease ends within the transmission", func(w *world) {
			w.grant = nil
			w.keyer.left[wirev1.Control_CONTROL_REMOTE] = w.bootAt(midnight.Add(4*time.Minute + 116*time.Second))
		}, "2 skipped no_lease"},
		{"the lease ends more than 5 s after the transmission", func(w *world) {
			w.grant = nil
			w.keyer.left[wirev1.Control_CONTROL_REMOTE] = w.bootAt(midnight.Add(4*time.Minute + 117*time.Second))
		}, send},
		{"the lease is for another kind of control", func(w *world) {
			w.grant = nil
			w.keyer.left = map[wirev1.Control]time.Duration{wirev1.Control_CONTROL_AUTOMATIC: w.now.Boot + time.Hour}
		}, "2 skipped no_lease"},
		{"the keyer is gone", func(w *world) { w.keyer.status = nil; w.step(core.KeyerLost{}) }, "2 skipped keyer_gone"},
		{"the keyer has fallen silent", func(w *world) { w.keyer.hang = w.now.Boot + time.Hour }, "2 skipped keyer_gone"},
		{"the keyer tripped", func(w *world) { w.keyer.status.Tripped = "watchdog" }, "2 skipped keyer_tripped"},
		{"newer orders can't be read", func(w *world) {
			o := ordersFor(2, nil)
			o.LeastReader = core.Reader + 1
			w.order(o)
		}, "2 skipped update_needed"},
		{"the link is down and the lease goes on", func(w *world) {
			w.keyer.left[wirev1.Control_CONTROL_REMOTE] = w.now.Boot + time.Hour
			w.disconnect()
		}, send},
	} {
		t.Run(test.name, func(t *testing.T) {
			w := running(t)
			w.order(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
			w.until(midnight.Add(time.Minute))
			test.before(w)
			w.until(midnight.Add(7 * time.Minute))
			if diff := cmp.Diff([]string{test.want}, w.told()); diff != "" {
				t.Error(diff)
			}
			if keyed := w.keyer.keyed[slotAt(4*time.Minute)]; keyed != (test.want == send) {
				t.Errorf("keyed: %v", keyed)
			}
		})
	}
}

func TestAStepOfTheWallClockMutesUntilTheNextReading(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
	w.until(midnight.Add(3 * time.Minute))
	w.mute = true
	w.now.Wall = w.now.Wall.Add(11 * time.Millisecond)
	if beat := w.core.Heartbeat(w.now).GetHeartbeat(); beat.ClockErrorBoundNs != nil {
		t.Error("the heartbeat vouches for a clock that was stepped")
	}
	w.mute = false
	w.advance(time.Second)
	if beat := w.core.Heartbeat(w.now).GetHeartbeat(); beat.ClockErrorBoundNs == nil || beat.FrequencyUncertaintyPpb == nil {
		t.Error("the heartbeat does not vouch for a clock that was read again")
	}
}

func TestADiskThatIsFullSkipsAndLosesNothing(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(2 * time.Minute), slotAt(4 * time.Minute), slotAt(6 * time.Minute)}))
	w.until(midnight.Add(time.Minute))
	w.disk.full = true
	w.until(midnight.Add(5 * time.Minute))
	if len(w.outcomes()) != 0 || len(w.keyer.keyed) != 0 {
		t.Fatalf("with a full disk: outcomes %v, keyed %v", w.told(), w.keyer.keyed)
	}
	if h := w.live(); h.GetMuteReason() != "disk_full" {
		t.Errorf("the live health says %q", h.GetMuteReason())
	}
	w.disk.full = false
	w.until(midnight.Add(9 * time.Minute))
	if diff := cmp.Diff([]string{"1 skipped disk_full", "2 skipped disk_full", "3 sent"}, w.told()); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]string{"outbox_failed"}, w.events()); diff != "" {
		t.Error(diff)
	}
}

func TestADiskThatIsSlowMakesTheSlotLate(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
	w.until(midnight.Add(4*time.Minute - 6*time.Second))
	w.slowDisk = true
	w.until(midnight.Add(4 * time.Minute))
	w.slowDisk = false
	w.settle()
	w.advance(time.Minute)
	if diff := cmp.Diff([]string{"2 skipped late"}, w.told()); diff != "" {
		t.Error(diff)
	}
}

func TestWhatTheKeyerDoesWithASlot(t *testing.T) {
	for _, test := range []struct {
		name string
		in   func(*world) // 30 s into the slot
		want string
	}{
		{"it ends the slot early", func(w *world) {
			w.end(w.keyer.permits[0], wirev1.OutcomeKind_OUTCOME_KIND_ABORTED, "hushed")
		}, "2 aborted hushed"},
		{"it says an outcome that there is not", func(w *world) {
			w.end(w.keyer.permits[0], 77, "odd")
		}, "2 aborted odd"},
		{"it dies", func(w *world) { w.keyer.status, w.keyer.permits = nil, nil; w.step(core.KeyerLost{}) }, "2 aborted keyer_gone"},
		{"it never says how it ended", func(w *world) { w.keyer.noEnd = true }, "2 aborted keyer_silent"},
		{"the agent is killed", func(w *world) { w.kill(); w.start() }, "2 aborted agent_restarted"},
		{"the agent is stopped", func(w *world) {
			w.step(core.Stop{})
			w.settle()
			if !w.core.Done() {
				w.t.Fatalf("the agent is not done")
			}
			w.kill()
			w.start()
		}, "2 aborted stopped"},
	} {
		t.Run(test.name, func(t *testing.T) {
			w := running(t)
			w.order(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
			w.until(midnight.Add(4*time.Minute + 30*time.Second))
			test.in(w)
			w.until(midnight.Add(8 * time.Minute))
			if diff := cmp.Diff([]string{test.want}, w.told()); diff != "" {
				t.Error(diff)
			}
			if len(w.disk.intents) != 0 {
				t.Errorf("an intent is left open")
			}
		})
	}
}

func TestSlotsMissedWhileTheAgentWasOffAreSkipped(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute), slotAt(8 * time.Minute), slotAt(12 * time.Minute), slotAt(20 * time.Minute)}))
	w.until(midnight.Add(7 * time.Minute))
	w.kill()
	w.advance(6 * time.Minute)
	w.start()
	w.connect()
	w.until(midnight.Add(25 * time.Minute))
	if diff := cmp.Diff([]string{"2 sent", "4 skipped off", "6 skipped off", "10 sent"}, w.told()); diff != "" {
		t.Error(diff)
	}
	if h := w.live(); h.GetSentToday() != 2 || h.GetSkippedToday() != 2 {
		t.Errorf("today: %d sent, %d skipped; want 2 and 2", h.GetSentToday(), h.GetSkippedToday())
	}
}

func TestARunNamesTheOneBeforeIt(t *testing.T) {
	w := running(t)
	w.advance(2 * time.Minute)
	first, last := w.disk.run, w.disk.lastSeq
	if got := w.disk.all[0].GetRunStarted(); got == nil || got.GetPreviousBoot() != "" || got.GetKernelBootId() != "kernel-1" {
		t.Errorf("the first record of the first run is %v", w.disk.all[0])
	}
	w.kill()
	w.start()
	second := w.disk.all[last]
	if got := second.GetRunStarted(); got.GetPreviousBoot() != first || got.GetPreviousLastSeq() != last || second.GetSeq() != 1 {
		t.Errorf("the first record of the second run is %v; the first ended with %s %d", second, first, last)
	}
}

func TestWithoutATimeNothingIsAccountedFor(t *testing.T) {
	w := newWorld(t)
	w.start()
	w.connect()
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
	w.until(midnight.Add(time.Minute))
	w.kill()
	// The battery of the clock is empty.
	wall := w.now.Wall
	w.now.Wall = time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)
	w.clock.Known = false
	w.start()
	w.advance(10 * time.Minute)
	if len(w.told()) != 0 {
		t.Errorf("accounted for by a clock of 1970: %v", w.told())
	}
	w.now.Wall = wall.Add(10 * time.Minute)
	w.clock.Known = true
	w.advance(2 * time.Second)
	if diff := cmp.Diff([]string{"2 skipped clock_unsure"}, w.told()); diff != "" {
		t.Error(diff)
	}
}

func TestNothingUnsignedOrForgedHasAnyEffect(t *testing.T) {
	good := ordersFor(2, []int64{slotAt(6 * time.Minute)})
	for _, test := range []struct {
		name    string
		kind    topic.Kind
		payload []byte
		event   string
	}{
		{"garbage", topic.Orders, []byte("not a message"), "orders_refused"},
		{"empty", topic.Orders, nil, ""},
		{"signed by somebody else", topic.Orders, sealed(stranger, seal.Orders, good), "orders_refused"},
		{"signed as something else", topic.Orders, sealed(signer, seal.Lease, good), "orders_refused"},
		{"signed for another beacon", topic.Orders, signer.Seal(seal.Orders, address.Network, "other", nil), "orders_refused"},
		{"a payload that is no orders", topic.Orders, signer.Seal(seal.Orders, address.Network, address.Beacon, []byte{0xff}), "orders_refused"},
		{"an older revision", topic.Orders, sealed(signer, seal.Orders, ordersFor(0, nil)), "orders_refused"},
		{"the same revision with other slots", topic.Orders, sealed(signer, seal.Orders, ordersFor(1, nil)), "orders_refused"},
		{"slots out of order", topic.Orders, sealed(signer, seal.Orders, ordersFor(2, []int64{slotAt(6 * time.Minute), slotAt(4 * time.Minute)})), "orders_refused"},
		{"a slot out of range", topic.Orders, sealed(signer, seal.Orders, ordersFor(2, []int64{slotAt(24 * time.Hour)})), "orders_refused"},
		{"too many slots", topic.Orders, sealed(signer, seal.Orders, ordersFor(2, make([]int64, 10_001))), "orders_refused"},
		{"a forged hush", topic.Hush, sealed(stranger, seal.Hush, hushOf(1, "")), "hush_refused"},
		{"a forged lease", topic.Lease, sealed(stranger, seal.Lease, &wirev1.LeaseGrant{}), "lease_refused"},
		{"a forged receipt", topic.Receipts, sealed(stranger, seal.Receipt, &wirev1.Receipt{}), "receipt_refused"},
		{"a receipt that ends before it begins", topic.Receipts, sealed(signer, seal.Receipt, &wirev1.Receipt{
			Ranges: []*wirev1.ReceiptRange{{FirstSeq: 2, LastSeq: 1}},
		}), "receipt_refused"},
		{"something that no agent listens to", topic.Health, []byte{1}, "message_refused"},
	} {
		t.Run(test.name, func(t *testing.T) {
			w := running(t)
			w.order(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
			w.advance(time.Second)
			heard := len(w.toKeyer)
			w.step(core.Message{Kind: test.kind, Payload: test.payload})
			if len(w.toKeyer) != heard {
				t.Errorf("the keyer was told %v", w.toKeyer[heard:])
			}
			for range 50 { // a flood is one event
				w.step(core.Message{Kind: test.kind, Payload: test.payload})
			}
			var want []string
			if test.event != "" {
				want = []string{test.event}
			}
			if diff := cmp.Diff(want, w.events()); diff != "" {
				t.Error(diff)
			}
			w.until(midnight.Add(9 * time.Minute))
			if diff := cmp.Diff([]string{"2 sent"}, w.told()); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestADiskThatFillsUpAtTheDecisionSkipsTheSlot(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute), slotAt(8 * time.Minute)}))
	w.until(midnight.Add(4*time.Minute - 5*time.Second - time.Millisecond))
	w.disk.full = true
	w.advance(2 * time.Millisecond) // nothing but the intent is to be written now
	w.disk.full = false
	w.until(midnight.Add(12 * time.Minute))
	if diff := cmp.Diff([]string{"2 skipped disk_full", "4 sent"}, w.told()); diff != "" {
		t.Error(diff)
	}
}

// A wall clock that is set an hour ahead is corrected by the next reading. The
// slots of that hour are not lost by it, though the agent takes a step before.
func TestAWallClockSetAheadLosesNoSlots(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute), slotAt(30 * time.Minute)}))
	w.advance(2 * time.Second)
	w.now.Wall = w.now.Wall.Add(time.Hour)
	w.step(core.Tick{})
	w.clock.Offset = -time.Hour
	w.readAt = 0
	w.advance(2 * time.Second)
	if told := w.told(); len(told) != 0 {
		t.Errorf("told %v", told)
	}
}

// Nor are they lost to a run that starts with such a clock, before anybody has
// said what time it is, whatever comes first.
func TestARunThatStartsWithAClockAheadLosesNoSlots(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute), slotAt(30 * time.Minute)}))
	w.advance(2 * time.Second)
	w.kill()
	w.now.Wall = w.now.Wall.Add(time.Hour)
	w.clock.Known = false
	w.start()
	w.connect()
	w.order(ordersFor(2, []int64{slotAt(6 * time.Minute), slotAt(30 * time.Minute)}))
	w.advance(time.Minute)
	w.clock.Known, w.clock.Offset = true, -time.Hour
	w.advance(20 * time.Minute)
	if diff := cmp.Diff([]string{"3 sent"}, w.told()); diff != "" {
		t.Error(diff)
	}
}
