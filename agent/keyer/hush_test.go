package keyer_test

import (
	"testing"
	"time"

	"lamplighter/agent/keyer"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

func sealHush(h *wirev1.Hush) []byte { return sealWith(coordinator, seal.Hush, h) }

func TestS6AHushKeysUpWithinTheStep(t *testing.T) {
	for _, bands := range [][]string{{""}, {"40m"}, {"20m", "40m"}, {"20m", ""}} {
		b := onAir(t)
		b.beat = nil // nothing else helps
		b.accepted(b.sendHush(sealHush(hush(10, 1, bands...))))
		end := b.ended(aborted, keyer.Hushed)
		if end.GetUnkeyedUnixUs() != b.trueTime().UnixMicro() || end.GetSymbols() != 43 { // 29 s / 0.682667 s, begun
			t.Errorf("%v", end)
		}
		if s := b.status(); !s.GetHushed() || !s.GetHushSilent() || s.GetHush().GetNumber() != 1 {
			t.Errorf("%v", s)
		}
	}
}

func TestAHushOfAnotherBandLeavesTheCarrier(t *testing.T) {
	b := onAir(t)
	b.accepted(b.sendHush(sealHush(hush(10, 1, "20m"))))
	if s := b.status(); !b.carrier || !s.GetHushed() || !s.GetHushSilent() || s.GetMuteReason() != "" {
		t.Errorf("%v", s)
	}
}

func TestS6ASlotUnderAHushIsSkippedAndNotResumed(t *testing.T) {
	b := ready(t, transmission(0))
	b.accepted(b.sendHush(sealHush(hush(10, 1, "40m"))))
	b.until(noon.Add(-3 * time.Second))
	if end := b.permit(0); end.GetReason() != string(keyer.Hushed) {
		t.Fatal(end)
	}

	// Hushed between permit and start.
	b = ready(t, transmission(0))
	b.until(noon.Add(-3 * time.Second))
	b.permit(0)
	b.accepted(b.sendHush(sealHush(hush(10, 1, "40m"))))
	b.until(noon.Add(2 * time.Second))
	b.ended(skipped, keyer.Hushed)

	// Hushed and released on the air.
	b = onAir(t)
	b.accepted(b.sendHush(sealHush(hush(10, 1, ""))))
	b.accepted(b.sendHush(sealHush(hush(10, 2))))
	if end := b.permit(0); end.GetReason() != string(keyer.SlotUsed) {
		t.Error(end)
	}
	b.edges = nil
	b.until(noon.Add(119 * time.Second))
	if len(b.edges) != 0 {
		t.Errorf("%v", b.edges)
	}
}

func TestS9MoreSilenceCountsUnlessAHigherNumberWasAcceptedAndLessOnlyWithAHigherOne(t *testing.T) {
	for _, c := range []struct {
		what   string
		held   *wirev1.Hush
		next   *wirev1.Hush
		want   keyer.Reason
		silent []string
		speaks []string
	}{
		{"more, higher", hush(10, 1, "40m"), hush(10, 2, "40m", "20m"), "", []string{"40m", "20m"}, []string{"10m"}},
		{"more, same number", hush(10, 1, "40m"), hush(10, 1, "40m", "20m"), "", []string{"40m", "20m"}, []string{"10m"}},
		{"all, same number", hush(10, 1, "40m"), hush(10, 1, ""), "", []string{"40m", "10m"}, nil},
		{"more, lower", hush(10, 2, "40m"), hush(10, 1, ""), keyer.Older, []string{"40m"}, []string{"20m"}},
		{"more, lower epoch", hush(10, 2, "40m"), hush(9, 9, ""), keyer.Older, []string{"40m"}, []string{"20m"}},
		{"less, higher", hush(10, 1, "40m", "20m"), hush(10, 2, "40m"), "", []string{"40m"}, []string{"20m"}},
		{"nothing, higher epoch", hush(10, 9, ""), hush(11, 1), "", nil, []string{"40m", "20m"}},
		{"less, same number", hush(10, 1, "40m", "20m"), hush(10, 1, "40m"), keyer.Conflicting, []string{"40m", "20m"}, []string{"10m"}},
		{"bands for all, same number", hush(10, 1, ""), hush(10, 1, "40m", "20m"), keyer.Conflicting, []string{"40m", "10m"}, nil},
		{"another band, same number", hush(10, 1, "40m"), hush(10, 1, "20m"), keyer.Conflicting, []string{"40m"}, []string{"20m"}},
		{"less, lower", hush(10, 2, "40m"), hush(10, 1), keyer.Older, []string{"40m"}, []string{"20m"}},
		{"the same again", hush(10, 1, "40m"), hush(10, 1, "40m"), "", []string{"40m"}, []string{"20m"}},
		{"more than there may be", hush(10, 1), hush(10, 2, many("80m", 257)...), "", []string{"40m", "20m", "10m"}, nil},
	} {
		t.Run(c.what, func(t *testing.T) {
			b := ready(t, onEachBand()...)
			b.accepted(b.sendHush(sealHush(c.held)))
			if v := b.sendHush(sealHush(c.next)); v.GetRefusal() != string(c.want) {
				t.Fatal(v)
			}
			for _, again := range []func(){func() {}, b.start} { // in force, and on disk
				again()
				b.pass(time.Second)
				checkSpeech(t, b, c.silent, true)
				checkSpeech(t, b, c.speaks, false)
			}
		})
	}
}

func many(band string, n int) []string {
	bands := make([]string, n)
	for i := range bands {
		bands[i] = band
	}
	return bands
}

func onEachBand() []*wirev1.Transmission {
	on := func(band string, hz int64, c wirev1.Control) func(*wirev1.Transmission) {
		return func(t *wirev1.Transmission) { t.Band, t.FrequencyMillihertz, t.Control = band, hz*1000, c }
	}
	return []*wirev1.Transmission{
		transmission(0), transmission(1, on("20m", 14097100, automatic)), transmission(2, on("10m", 28126100, local)),
	}
}

// checkSpeech looks at how permits of far slots are refused: as too early where
// nothing else is wrong.
func checkSpeech(t *testing.T, b *bench, bands []string, silent bool) {
	t.Helper()
	slots := map[string]int64{"40m": 0, "20m": 1, "10m": 2}
	for _, band := range bands {
		fresh := *b
		fresh.start()
		fresh.until(noon.Add(time.Duration(slots[band])*2*time.Minute - 20*time.Second))
		fresh.lease(10)
		end := fresh.permit(slots[band])
		if got := end.GetReason() == string(keyer.Hushed); got != silent {
			t.Errorf("%s silent: %v (%v)", band, got, end)
		}
	}
}

func TestAHushNeitherEndsNorStopsALease(t *testing.T) {
	b := ready(t)
	b.accepted(b.sendHush(sealHush(hush(10, 1, ""))))
	b.pass(time.Second)
	if left := b.status().GetLeaseLeft(); len(left) != 3 {
		t.Errorf("%v", left)
	}
	b.lease(11)
}

func TestAHushThatCanNotBeWrittenIsObeyedAndSaysSo(t *testing.T) {
	b := onAir(t)
	b.diskErr = errTest
	b.refused(b.sendHush(sealHush(hush(10, 1, "40m"))), keyer.NotOnDisk)
	b.ended(aborted, keyer.Hushed)
	if s := b.status(); s.GetHush().GetNumber() != 0 || !s.GetHushed() || !s.GetHushSilent() {
		t.Errorf("%v", s)
	}
	b.refused(b.sendHush(sealHush(hush(10, 1, "40m"))), keyer.NotOnDisk)

	// As soon as the disk can, it is written, and the status shows it.
	b.diskErr = nil
	b.pass(1100 * time.Millisecond)
	if s := b.status(); s.GetHush().GetNumber() != 1 || !s.GetHushed() {
		t.Errorf("%v", s)
	}
	b.start()
	if s := b.status(); s.GetHush().GetNumber() != 1 || !s.GetHushed() {
		t.Errorf("%v", s)
	}
}

func TestAReleaseCountsOnlyOnDisk(t *testing.T) {
	b := ready(t, transmission(0))
	b.accepted(b.sendHush(sealHush(hush(10, 1, ""))))
	b.diskErr = errTest
	b.refused(b.sendHush(sealHush(hush(10, 2))), keyer.NotOnDisk)
	b.until(noon.Add(-3 * time.Second))
	if end := b.permit(0); end.GetReason() != string(keyer.Hushed) {
		t.Error(end)
	}
	b.diskErr = nil
	b.pass(1100 * time.Millisecond)
	if end := b.permit(0); end != nil {
		t.Error(end)
	}
}

func TestOrdersAndLeasesThatCanNotBeWrittenDoNotCount(t *testing.T) {
	b := ready(t, transmission(0))
	onDisk := b.status()
	b.diskErr = errTest
	nonce := b.nonce()
	b.refused(b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 2, transmission(1)))), keyer.NotOnDisk)
	b.refused(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(6))), keyer.NotOnDisk)
	b.refused(b.sendLease(sealWith(coordinator, seal.Lease, b.grant(nonce, 11, allTerms()...))), keyer.NotOnDisk)
	if s := b.status(); s.GetOrders().GetRevision() != onDisk.GetOrders().GetRevision() || s.GetEnvelope() != 5 {
		t.Errorf("%v", s)
	}
	b.diskErr = nil
	b.accepted(b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 2, transmission(1)))))
	b.lease(10) // epoch 11 never counted
}

func TestS6AStopAtAnyMoment(t *testing.T) {
	// Steps of 11.592 ms walk through every phase of symbols and heartbeats.
	b := onAir(t)
	state := *b
	for i := range 500 {
		b := onAirAgain(&state)
		b.pass(time.Duration(i) * 11592 * time.Microsecond)
		b.accepted(b.sendHush(sealHush(hush(10, 1, ""))))
		if b.carrier {
			t.Fatalf("%d: still on the air", i)
		}
		if end := b.ends(); len(end) != 1 || end[0].GetKind() != aborted {
			t.Fatalf("%d: %v", i, end)
		}
	}
}

func onAirAgain(state *bench) *bench {
	b := newBench(state.t)
	b.onDisk, b.now = state.onDisk, state.now
	b.now.Wall, b.now.Boot = noon.Add(-3*time.Second), b.now.Boot-33*time.Second
	b.start()
	b.pass(100 * time.Millisecond)
	b.permit(0)
	b.until(noon.Add(2 * time.Second))
	return b
}

func stop(reason string) *keyerv1.ToKeyer {
	return &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Stop{Stop: &keyerv1.Stop{Reason: reason}}}
}

func TestStopLastsUntilTheNextSlot(t *testing.T) {
	for word, want := range map[string]keyer.Reason{
		"outbox_full": "outbox_full", "": keyer.Stopped, "No Good": keyer.Stopped, "no{good": keyer.Stopped,
		"a_reason_that_is_much_longer_than_any_that_an_agent_has": keyer.Stopped,
	} {
		b := onAir(t, transmission(0), transmission(1))
		b.say(stop(word))
		b.ended(aborted, want)
		if end := b.permit(0); end.GetKind() != skipped {
			t.Error(end)
		}
		b.until(noon.Add(117 * time.Second))
		b.lease(10)
		if end := b.permit(1); end != nil {
			t.Error(end)
		}
		b.until(noon.Add(125 * time.Second))
		if !b.carrier {
			t.Error("silent in the next slot too")
		}
	}
	// Before the start of a slot that is permitted, and again in it.
	b := ready(t, transmission(0))
	b.until(noon.Add(500 * time.Millisecond))
	b.permit(0)
	b.say(stop("low_supply"))
	b.ended(skipped, "low_supply")
	if end := b.permit(0); end.GetReason() != "low_supply" {
		t.Error(end)
	}
	// With nothing to stop.
	b = newBench(t)
	b.edges = nil
	b.say(stop("x"))
	if len(b.edges) != 1 || b.edges[0].what != "unkey" {
		t.Errorf("%v", b.edges)
	}
}
