package keyer_test

import (
	"bytes"
	"testing"
	"time"

	"lamplighter/agent/keyer"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

func TestS2AGrantCountsOnlyAsTheAnswerToAnOpenRequest(t *testing.T) {
	type grant = wirev1.LeaseGrant
	none := func(*bench, *grant) {}
	for _, c := range []struct {
		what   string
		change func(*bench, *grant)
		want   keyer.Reason
	}{
		{"an answer", none, ""},
		{"to a nonce of nobody", func(_ *bench, g *grant) { g.Nonce = bytes.Repeat([]byte{9}, 16) }, keyer.UnknownNonce},
		{"without a nonce", func(_ *bench, g *grant) { g.Nonce = nil }, keyer.UnknownNonce},
		{"for another boot", func(_ *bench, g *grant) { g.BootId = "boot-0" }, keyer.OtherBoot},
		{"of a lower epoch", func(_ *bench, g *grant) { g.Epoch = 9 }, keyer.Older},
		{"of a higher epoch", func(_ *bench, g *grant) { g.Epoch = 11 }, ""},
		{"that grants nothing", func(_ *bench, g *grant) { g.Terms = nil }, keyer.NothingGranted},
		{"with a refusal", func(_ *bench, g *grant) { g.Refusal = "the site is paused" }, keyer.NothingGranted},
		{"for the orders held", func(_ *bench, g *grant) { g.Confirmed = &wirev1.OrdersNumber{Epoch: 10, Revision: 1} }, ""},
		{"for orders not held", func(_ *bench, g *grant) { g.Confirmed = &wirev1.OrdersNumber{Epoch: 10, Revision: 2} }, keyer.OrdersNotHeld},
		{"remote for longer", func(_ *bench, g *grant) { g.Terms[1].TimeToLiveMs++ }, keyer.TermTooLong},
		{"automatic for longer", func(_ *bench, g *grant) { g.Terms[2].TimeToLiveMs++ }, keyer.TermTooLong},
		{"local for longer", func(_ *bench, g *grant) { g.Terms[0].TimeToLiveMs++ }, keyer.TermTooLong},
		{"for ever", func(_ *bench, g *grant) { g.Terms[2].TimeToLiveMs = 1<<63 - 1 }, keyer.TermTooLong},
		{"for less than nothing", func(_ *bench, g *grant) { g.Terms[2].TimeToLiveMs = -1 }, keyer.OutOfBounds},
		{"for a control that is none", func(_ *bench, g *grant) { g.Terms[0].Control = 0 }, keyer.OutOfBounds},
		{"for one control twice", func(_ *bench, g *grant) { g.Terms[0] = g.Terms[1] }, keyer.OutOfBounds},
		{"that comes when it is over", func(b *bench, g *grant) {
			g.Terms = g.Terms[1:2]
			b.pass(180 * time.Second)
		}, keyer.LeaseOver},
		{"that comes just before", func(b *bench, g *grant) {
			g.Terms = g.Terms[1:2]
			b.pass(180*time.Second - 1)
		}, ""},
		{"after eight more requests", func(b *bench, _ *grant) {
			for range 8 {
				b.nonce()
			}
		}, keyer.UnknownNonce},
		{"after seven more requests", func(b *bench, _ *grant) {
			for range 7 {
				b.nonce()
			}
		}, ""},
		{"after the keyer started anew", func(b *bench, _ *grant) { b.start() }, keyer.UnknownNonce},
	} {
		t.Run(c.what, func(t *testing.T) {
			b := ready(t, transmission(0))
			g := b.grant(b.nonce(), 10, allTerms()...)
			c.change(b, g)
			before := b.status().GetLeaseLeft()
			verdict := b.sendLease(sealWith(coordinator, seal.Lease, g))
			if verdict.GetRefusal() != string(c.want) {
				t.Fatalf("%v, wanted %q", verdict, c.want)
			}
			if c.want != "" && len(before) == 3 && len(b.status().GetLeaseLeft()) != 3 {
				t.Error("a refused grant ended the lease")
			}
		})
	}
}

// A lease may come before the first orders.
func TestAGrantBeforeAnyOrders(t *testing.T) {
	b := newBench(t)
	b.pass(time.Second)
	b.lease(10)
	g := b.grant(b.nonce(), 10, allTerms()...)
	g.Confirmed = &wirev1.OrdersNumber{Epoch: 10, Revision: 1}
	b.refused(b.sendLease(sealWith(coordinator, seal.Lease, g)), keyer.OrdersNotHeld)
}

func TestS2ALeaseThatIsOverPermitsNothing(t *testing.T) {
	b := ready(t, transmission(0))
	b.until(noon.Add(-20 * time.Second))
	b.accepted(b.sendLease(sealWith(coordinator, seal.Lease, b.grant(b.nonce(), 10, term(remote, 10*time.Second)))))
	b.pass(10 * time.Second)
	if end := b.permit(0); end.GetReason() != string(keyer.NoLease) {
		t.Errorf("%v", end)
	}
}

func TestTheLeaseAskedForLastCounts(t *testing.T) {
	b := ready(t)
	first, second := b.nonce(), b.nonce()
	short := b.grant(second, 10, term(remote, 60*time.Second))
	sealed := sealWith(coordinator, seal.Lease, short)
	b.accepted(b.sendLease(sealed))
	b.refused(b.sendLease(sealWith(coordinator, seal.Lease, b.grant(first, 10, allTerms()...))), keyer.UnknownNonce)
	b.accepted(b.sendLease(sealed)) // the same again is no harm
	b.pass(time.Second)
	left := b.status().GetLeaseLeft()
	if len(left) != 1 || left[0].GetControl() != remote || left[0].GetTimeToLiveMs() > 59_000 {
		t.Errorf("left: %v", left)
	}
}

func TestS2ALeaseCountsFromTheMakingOfTheNonce(t *testing.T) {
	b := ready(t)
	nonce := b.nonce()
	b.pass(100 * time.Second)
	b.accepted(b.sendLease(sealWith(coordinator, seal.Lease, b.grant(nonce, 10, term(remote, 180*time.Second)))))
	b.pass(70 * time.Second)
	if left := b.status().GetLeaseLeft(); len(left) != 1 || left[0].GetTimeToLiveMs() != 10_000 {
		t.Errorf("left: %v", left)
	}
	b.pass(10 * time.Second)
	if s := b.status(); len(s.GetLeaseLeft()) != 0 || s.GetMuteReason() != string(keyer.NoLease) {
		t.Errorf("%v", s)
	}
}

func TestS2ATransmissionEndsFiveSecondsBeforeItsLease(t *testing.T) {
	// The signal ends 111.592 s into the slot.
	for _, c := range []struct {
		until time.Duration // of the lease, into the slot
		want  keyer.Reason
	}{
		{116592 * time.Millisecond, ""},
		{116591 * time.Millisecond, keyer.LeaseEnds},
		{60 * time.Second, keyer.LeaseEnds},
	} {
		b := ready(t, transmission(0))
		b.until(noon.Add(-20 * time.Second))
		b.accepted(b.sendLease(sealWith(coordinator, seal.Lease, b.grant(b.nonce(), 10, term(remote, c.until+20*time.Second)))))
		if end := b.permit(0); end.GetReason() != string(c.want) {
			t.Errorf("lease until %v: %v", c.until, end)
		}
	}
	b := ready(t, transmission(0))
	b.until(noon.Add(-4 * time.Second))
	b.accepted(b.sendLease(sealWith(coordinator, seal.Lease, b.grant(b.nonce(), 10, term(automatic, time.Hour), term(local, time.Hour)))))
	if end := b.permit(0); end.GetReason() != string(keyer.NoLease) {
		t.Errorf("a lease of another control: %v", end)
	}
}

// Renewal as it should be, every 20 s, until the link is cut.
func TestS2TheLinkIsCutAtEverySecondOfASlot(t *testing.T) {
	var whole, none int
	for cut := -170; cut <= 120; cut++ {
		b := newBench(t)
		b.now.Wall = noon.Add(-180 * time.Second)
		b.start()
		b.accepted(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(5))))
		b.accepted(b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 1, transmission(0)))))
		b.beatEvery = 250 * time.Millisecond
		var granted, keyed time.Duration
		b.watch = func() {
			if b.carrier {
				keyed = b.now.Boot
			}
		}
		for second := -180; second < 130; second++ {
			if second%20 == 0 && second < cut {
				b.lease(10)
				granted = b.now.Boot
			}
			if second == -2 {
				b.permit(0)
			}
			b.pass(time.Second)
		}
		if limit := granted + 180*time.Second - 5*time.Second; keyed > limit {
			t.Errorf("cut at %d s: carrier until %v, lease margin from %v", cut, keyed, limit)
		}
		switch end := b.ends()[0]; end.GetKind() {
		case sent:
			whole++
		case skipped:
			none++
		default:
			t.Errorf("cut at %d s: %v", cut, end)
		}
	}
	if whole < 150 || none < 50 {
		t.Errorf("%d whole, %d none: the test has lost its point", whole, none)
	}
}

func TestAShorterLeaseEndsWhatIsOnTheAir(t *testing.T) {
	b := onAir(t)
	b.accepted(b.sendLease(sealWith(coordinator, seal.Lease, b.grant(b.nonce(), 10, term(remote, 60*time.Second)))))
	b.ended(aborted, keyer.LeaseEnds)
	b = onAir(t)
	b.accepted(b.sendLease(sealWith(coordinator, seal.Lease, b.grant(b.nonce(), 10, term(automatic, time.Hour)))))
	b.ended(aborted, keyer.NoLease)
}

func TestS2ARestartGoesOnWithTheLeaseAndARebootEndsIt(t *testing.T) {
	b := ready(t, transmission(0), transmission(1))
	b.pass(10 * time.Second)
	b.start()
	b.pass(time.Second)
	left := b.status().GetLeaseLeft()
	if len(left) != 3 || left[1].GetControl() != remote || left[1].GetTimeToLiveMs() > 170_000 || left[1].GetTimeToLiveMs() < 168_000 {
		t.Fatalf("left after a restart: %v", left)
	}
	b.until(noon.Add(-3 * time.Second))
	if end := b.permit(0); end != nil {
		t.Fatal(end)
	}
	b.until(noon.Add(115 * time.Second))
	b.ended(sent, "")

	b.reboot()
	b.until(noon.Add(119 * time.Second))
	if s := b.status(); len(s.GetLeaseLeft()) != 0 || s.GetMuteReason() != string(keyer.NoLease) {
		t.Errorf("left after a reboot: %v", s)
	}
	if end := b.permit(1); end.GetReason() != string(keyer.NoLease) {
		t.Errorf("%v", end)
	}
}

func TestALeaseFromTheFutureIsNone(t *testing.T) {
	b := ready(t)
	b.now.Boot -= 5 * time.Minute // a state file of another machine with the same boot id
	b.start()
	if left := b.status().GetLeaseLeft(); len(left) != 0 {
		t.Errorf("%v", left)
	}
}

func TestTheWallClockDoesNotProlongALease(t *testing.T) {
	b := ready(t)
	for range 20 {
		b.now.Wall = b.now.Wall.Add(-time.Minute)
		b.pass(10 * time.Second)
	}
	if left := b.status().GetLeaseLeft(); len(left) != 2 { // remote is over
		t.Errorf("%v", left)
	}
}

func TestASuspendCountsAgainstTheLease(t *testing.T) {
	b := onAir(t)
	b.skip(3 * time.Hour)
	b.step(keyer.Tick{})
	b.ended(aborted, keyer.Watchdog)
}

func TestEveryNonceIsNewAndKnowsItsBoot(t *testing.T) {
	b := newBench(t)
	value := b.nonce()
	reply := b.replies[len(b.replies)-1].GetNonce()
	if !bytes.Equal(reply.GetNonce(), value) || reply.GetBootId() != thisRun {
		t.Errorf("%v", reply)
	}
	for _, bad := range [][16]byte{{}, [16]byte(value)} {
		b := newBench(t)
		b.step(keyer.NonceRequested{Nonce: [16]byte(value)})
		b.step(keyer.NonceRequested{Nonce: bad})
		if got := b.status().GetTripped(); got != "assertion: a nonce that is not random" {
			t.Errorf("%x: %q", bad, got)
		}
	}
}
