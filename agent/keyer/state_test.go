package keyer_test

import (
	"bytes"
	"testing"
	"time"

	"lamplighter/agent/keyer"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	"lamplighter/proto/seal"
)

func TestS7AStateThatCanNotBeReadIsSilence(t *testing.T) {
	whole := ready(t, transmission(0)).onDisk
	for _, c := range []struct {
		what  string
		state keyer.Persisted
	}{
		{"garbled", keyer.Persisted{State: append(bytes.Clone(whole), 'x')}},
		{"cut short", keyer.Persisted{State: whole[:len(whole)-1]}},
		{"a disk fault", keyer.Persisted{State: whole, Unreadable: errTest}},
	} {
		b := newBench(t)
		b.startWith(c.state)
		b.pass(time.Second)
		s := b.status()
		if s.GetTripped() != "state_garbled" || s.GetMuteReason() != "state_garbled" || !s.GetHushed() || !s.GetHushSilent() {
			t.Errorf("%s: %v", c.what, s)
		}
		// All that could be lost comes anew, and it stays silent until an
		// operator has looked.
		b.accepted(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(5))))
		b.accepted(b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 1, transmission(0)))))
		b.until(noon.Add(-3 * time.Second))
		b.lease(10)
		if end := b.permit(0); end.GetReason() != string(keyer.StateGarbled) {
			t.Errorf("%s: %v", c.what, end)
		}
		b.rearm()
		if end := b.permit(0); end.GetReason() != string(keyer.Hushed) {
			t.Errorf("%s, re-armed: %v", c.what, end)
		}
		b.start() // and that is on disk as well
		b.pass(time.Second)
		if end := b.permit(0); end.GetReason() != string(keyer.Hushed) {
			t.Errorf("%s, re-armed, restarted: %v", c.what, end)
		}
		b.diskErr = errTest
		b.refused(b.sendHush(sealHush(hush(10, 1))), keyer.NotOnDisk)
		if end := b.permit(0); end.GetReason() != string(keyer.Hushed) {
			t.Errorf("%s, re-armed, told what is hushed but not on disk: %v", c.what, end)
		}
		b.diskErr = nil
		b.accepted(b.sendHush(sealHush(hush(10, 1))))
		if end := b.permit(0); end != nil {
			t.Errorf("%s, re-armed and told what is hushed: %v", c.what, end)
		}
	}
}

// S5: a trip that the disk does not take outlives the process all the same, as
// often as that is started, and is over when the disk has a re-arm.
func TestS5ATripThatTheDiskDoesNotTakeIsRemembered(t *testing.T) {
	b := ready(t, transmission(0))
	b.until(noon.Add(-20 * time.Second))
	b.diskErr = errTest
	b.step(keyer.ReadBackMismatch{})
	for range 2 {
		b.start()
		b.pass(time.Second)
		if s := b.status(); s.GetTripped() != string(keyer.ReadBack) {
			t.Fatalf("after a restart: %v", s)
		}
		if end := b.permit(0); end.GetReason() != string(keyer.ReadBack) {
			t.Fatalf("after a restart: %v", end)
		}
	}
	b.rearm()
	if b.memory != keyer.ReadBack || b.status().GetTripped() == "" {
		t.Errorf("re-armed, and no disk has it: %q, %v", b.memory, b.status())
	}
	b.diskErr = nil
	b.pass(2 * time.Second)
	b.rearm()
	b.start()
	b.pass(time.Second)
	if b.memory != "" || b.status().GetTripped() != "" {
		t.Errorf("re-armed, and on disk: %q, %v", b.memory, b.status())
	}
	if end := b.permit(0); end != nil {
		t.Errorf("re-armed, and on disk: %v", end)
	}
}

// Where there is no state at all a trip may be remembered too.
func TestS5ATripWithoutAStateIsRemembered(t *testing.T) {
	b := newBench(t)
	b.startWith(keyer.Persisted{Tripped: keyer.Watchdog})
	b.pass(time.Second)
	if s := b.status(); s.GetTripped() != string(keyer.Watchdog) {
		t.Errorf("%v", s)
	}
	b.reboot() // by then it is on disk
	b.pass(time.Second)
	if s := b.status(); s.GetTripped() != string(keyer.Watchdog) || b.memory != keyer.Watchdog {
		t.Errorf("after a reboot: %v, %q", s, b.memory)
	}
}

func TestAStateOfOtherKeysIsSilence(t *testing.T) {
	b := ready(t, transmission(0))
	b.accepted(b.sendHush(sealHush(hush(10, 1, "20m"))))
	b.config.Keys = seal.NewKeyring(stranger.Public())
	b.start()
	b.pass(time.Second)
	s := b.status()
	if !s.GetHushed() || s.GetMuteReason() != string(keyer.Hushed) || s.GetOrders().GetEpoch() != 0 || len(s.GetLeaseLeft()) != 0 || s.GetEnvelope() != 0 {
		t.Errorf("%v", s)
	}
	b.accepted(b.sendHush(sealWith(stranger, seal.Hush, hush(1, 1))))
	if s := b.status(); s.GetHushed() {
		t.Errorf("%v", s)
	}
}

// A keyer that was told nothing but what is hushed remembers that.
func TestAStateOfAHushAlone(t *testing.T) {
	b := newBench(t)
	b.pass(time.Second)
	b.accepted(b.sendHush(sealHush(hush(10, 1, "40m"))))
	b.start()
	b.pass(time.Second)
	if s := b.status(); !s.GetHushed() || s.GetHush().GetNumber() != 1 || s.GetEnvelope() != 0 {
		t.Errorf("%v", s)
	}
}

// Whenever the power goes during a write, what is on disk is the state before
// or the state after; and what was said to be accepted is there.
func TestAPowerCutAtEveryWrite(t *testing.T) {
	type step struct {
		name string
		do   func(*bench)
	}
	story := []step{
		{"envelope", func(b *bench) { b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(5))) }},
		{"orders", func(b *bench) { b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 1, transmission(0)))) }},
		{"lease", func(b *bench) {
			b.sendLease(sealWith(coordinator, seal.Lease, b.grant(b.nonce(), 10, allTerms()...)))
		}},
		{"hush", func(b *bench) { b.sendHush(sealHush(hush(10, 1, "40m"))) }},
		{"more orders", func(b *bench) { b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 2))) }},
		{"release", func(b *bench) { b.sendHush(sealHush(hush(10, 2))) }},
		{"trip", func(b *bench) { b.step(keyer.ReadBackMismatch{}) }},
	}
	for cut := range story {
		for _, reached := range []bool{false, true} {
			b := newBench(t)
			b.pass(100 * time.Millisecond)
			for _, s := range story[:cut] {
				s.do(b)
			}
			accepted := verdicts(b)
			b.holdDisk = true
			story[cut].do(b)
			if len(b.writing) != 1 || verdicts(b) != accepted {
				t.Fatalf("%s: %d writes, %d answers before the disk has it", story[cut].name, len(b.writing), verdicts(b)-accepted)
			}
			if reached {
				b.onDisk = b.writing[0]
			}
			b.holdDisk, b.memory = false, ""
			b.start()
			s := b.status()
			n := cut
			if reached {
				n++
			}
			revisions := []uint64{0, 0, 1, 1, 1, 2, 2, 2}
			hushes := []uint64{0, 0, 0, 0, 1, 1, 2, 2}
			if s.GetOrders().GetRevision() != revisions[n] || s.GetHush().GetNumber() != hushes[n] ||
				(s.GetTripped() == "read_back") != (n == 7) || (len(s.GetLeaseLeft()) == 3) != (n >= 3) || s.GetHushed() != (n == 4 || n == 5) {
				t.Errorf("%s, reached the disk: %v: %v", story[cut].name, reached, s)
			}
		}
	}
}

// verdicts counts the messages said to be accepted.
func verdicts(b *bench) (n int) {
	for _, reply := range b.replies {
		if v := reply.GetVerdict(); v != nil && v.GetRefusal() == "" {
			n++
		}
	}
	return n
}

func TestASlowDiskDelaysVerdictsButNoSilence(t *testing.T) {
	b := onAir(t)
	b.holdDisk = true
	if v := b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 2))); v != nil || !b.carrier {
		t.Fatalf("%v", v)
	}
	if v := b.sendHush(sealHush(hush(10, 1, ""))); v != nil {
		t.Fatalf("%v", v)
	}
	b.ended(aborted, keyer.Hushed)
	if s := b.status(); s.GetOrders().GetRevision() != 1 || s.GetHush().GetNumber() != 0 || !s.GetHushed() {
		t.Errorf("%v", s)
	}
	before := verdicts(b)
	b.step(b.write()) // the orders; the hush follows
	if n := verdicts(b) - before; n != 1 || len(b.writing) != 1 {
		t.Fatalf("%d answers, %d writes", n, len(b.writing))
	}
	if s := b.status(); s.GetOrders().GetRevision() != 2 || s.GetHush().GetNumber() != 0 {
		t.Errorf("%v", s)
	}
	b.step(b.write())
	if n := verdicts(b) - before; n != 2 || b.status().GetHush().GetNumber() != 1 {
		t.Errorf("%d answers, %v", n, b.status())
	}
}

func TestAnswersThatWaitForTheDiskAreBounded(t *testing.T) {
	b := newBench(t)
	b.holdDisk = true
	for i := range 64 {
		if v := b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, uint64(i+1)))); v != nil {
			t.Fatal(v)
		}
	}
	b.refused(b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 100))), keyer.Busy)
	b.step(b.write())
	b.holdDisk = false
	b.step(b.write())
	if n := verdicts(b); n != 64 {
		t.Errorf("%d answers", n)
	}
	b.accepted(b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 100))))
}

func TestSomethingImpossibleAtKeyDownKeysUp(t *testing.T) {
	b := ready(t, transmission(0))
	b.until(noon.Add(-3 * time.Second))
	b.permit(0)
	b.until(noon.Add(999 * time.Millisecond))
	b.skip(time.Millisecond)
	b.edges = nil
	b.step(keyer.Stored{}) // nobody wrote, and the key is due in the same step
	b.ended(aborted, keyer.Assertion)
	for _, e := range b.edges {
		if e.what != "unkey" {
			t.Errorf("%v", b.edges)
		}
	}

	// What was said before it in the same step is not lost.
	b = ready(t, transmission(0))
	b.until(noon.Add(-3 * time.Second))
	b.permit(0)
	b.skip(10 * time.Second)
	b.step(keyer.Stored{})
	b.ended(skipped, keyer.Late)
}

func TestS12ANewProcessDoesNotResumeASlot(t *testing.T) {
	b := ready(t, transmission(0))
	b.until(noon.Add(-3 * time.Second))
	b.permit(0)
	b.until(noon.Add(1050 * time.Millisecond))
	b.start() // killed, and started at once
	b.pass(50 * time.Millisecond)
	if end := b.permit(0); end.GetReason() != string(keyer.Late) {
		t.Errorf("%v", end)
	}
}

func TestStatusComesAtStartOnEachChangeAndEachSecond(t *testing.T) {
	b := newBench(t)
	if s := b.status(); s == nil || s.GetMuteReason() != string(keyer.AgentSilent) || s.GetKeyed() {
		t.Fatalf("%v", s)
	}
	count := func() (n int) {
		for _, reply := range b.replies {
			if reply.GetStatus() != nil {
				n++
			}
		}
		return n
	}
	b.pass(100 * time.Millisecond)
	if s := b.status(); s.GetMuteReason() != string(keyer.NoEnvelope) {
		t.Errorf("%v", s)
	}
	before := count()
	b.pass(10 * time.Second)
	if n := count() - before; n < 9 || n > 10 {
		t.Errorf("%d in ten seconds", n)
	}
	b.accepted(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(5))))
	if s := b.status(); s.GetMuteReason() != string(keyer.NoOrders) || s.GetEnvelope() != 5 {
		t.Errorf("%v", s)
	}
	b.accepted(b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 1))))
	if s := b.status(); s.GetMuteReason() != string(keyer.NoLease) {
		t.Errorf("%v", s)
	}
	b.lease(10)
	if s := b.status(); s.GetMuteReason() != "" {
		t.Errorf("%v", s)
	}
}

func TestWhatNobodySaidIsIgnored(t *testing.T) {
	b := ready(t)
	before := len(b.replies)
	for _, m := range []*keyerv1.ToKeyer{nil, {}, {Body: &keyerv1.ToKeyer_NonceRequest{NonceRequest: &keyerv1.NonceRequest{}}}} {
		b.say(m)
	}
	if n := len(b.replies) - before; n != 0 {
		t.Errorf("%d replies", n)
	}
}
