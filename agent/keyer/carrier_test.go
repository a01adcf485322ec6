package keyer_test

import (
	"testing"
	"time"

	"lamplighter/agent/keyer"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

func TestS7ThreeHundredMillisecondsWithoutAHeartbeatKeyUp(t *testing.T) {
	b := onAir(t)
	last := b.now.Boot // a heartbeat came just now, or up to 50 ms ago
	b.beat = nil
	b.edges = nil
	b.pass(400 * time.Millisecond)
	b.ended(aborted, keyer.AgentSilent)
	up := b.edges[len(b.edges)-1]
	if silent := up.at - last; up.what != "unkey" || silent > 300*time.Millisecond || silent < 250*time.Millisecond {
		t.Errorf("%s after %v", up.what, silent)
	}
	if s := b.status(); s.GetMuteReason() != string(keyer.AgentSilent) {
		t.Errorf("%v", s)
	}
}

func TestS7TheLastWordOfTheAgentKeysUp(t *testing.T) {
	for _, why := range []keyer.Reason{keyer.AgentGone, keyer.KeyerStopped} {
		b := onAir(t, transmission(0), transmission(1))
		b.permit(1)
		b.step(keyer.Leaving{Why: why})
		if ends := b.ends(); len(ends) != 2 || b.carrier {
			t.Errorf("%v", ends)
		}
	}
}

func TestS5AKeyDownOfMoreThan112SecondsTrips(t *testing.T) {
	for _, c := range []struct {
		stall time.Duration // from 1 s before the last symbol ends
		want  string
	}{
		{1200 * time.Millisecond, string(keyer.AgentSilent)}, // ends at 111.792 s: no trip
		{2500 * time.Millisecond, string(keyer.Watchdog)},    // a key-down of 112.092 s
	} {
		b := onAir(t)
		b.until(noon.Add(110592 * time.Millisecond))
		b.skip(c.stall)
		b.step(keyer.Tick{})
		if b.carrier || b.ends()[0].GetReason() != c.want {
			t.Errorf("%v: %v", c.stall, b.ends())
		}
		b.start()
		if tripped := b.status().GetTripped(); (tripped != "") != (c.want == string(keyer.Watchdog)) {
			t.Errorf("%v: tripped on %q", c.stall, tripped)
		}
	}
}

func TestS5NoCarrierFromSecond114OfTheSlotOn(t *testing.T) {
	// The agent moves the keyer's clock ahead in the midst of it.
	b := onAir(t)
	b.beat.WallOffsetNs = int64(84 * time.Second)
	b.pass(100 * time.Millisecond)
	b.ended(aborted, keyer.OutsideSlot)
	// Or back, before the slot.
	b = onAir(t)
	b.beat.WallOffsetNs = -int64(31 * time.Second)
	b.pass(100 * time.Millisecond)
	b.ended(aborted, keyer.OutsideSlot)
}

func TestTripsAreLatchedUntilRearmed(t *testing.T) {
	for _, c := range []struct {
		what string
		trip func(*bench)
		want string
		ends keyer.Reason
	}{
		{"watchdog", func(b *bench) { b.skip(112 * time.Second); b.step(keyer.Tick{}) }, "watchdog", keyer.Watchdog},
		{"read-back", func(b *bench) { b.step(keyer.ReadBackMismatch{}) }, "read_back", keyer.ReadBack},
		{"no key-up", func(b *bench) {
			b.unkeyErr = errTest
			b.sendHush(sealHush(hush(10, 1, "20m", "40m")))
			b.unkeyErr = nil
			b.pass(200 * time.Millisecond)
		}, "unkey_failed", keyer.UnkeyFailed},
		{"boot clock", func(b *bench) { b.now.Boot -= time.Second; b.step(keyer.Tick{}); b.now.Boot += time.Second }, "assertion", keyer.Assertion},
		{"no write asked for", func(b *bench) { b.step(keyer.Stored{}) }, "assertion", keyer.Assertion},
	} {
		t.Run(c.what, func(t *testing.T) {
			b := onAir(t, transmission(0), transmission(1))
			c.trip(b)
			b.ended(aborted, c.ends)
			for range 2 {
				if got := b.status(); got.GetTripped()[:len(c.want)] != c.want || got.GetMuteReason() != c.want {
					t.Fatalf("%v", got)
				}
				b.start() // outlives the process
				b.pass(time.Second)
			}
			if end := b.permitUnder(1, 10, 1); end.GetKind() != skipped {
				t.Fatal(end)
			}
			b.rearm()
			if got := b.status(); got.GetTripped() != "" {
				t.Errorf("%v", got)
			}
			b.start()
			if got := b.status(); got.GetTripped() != "" {
				t.Errorf("%v", got)
			}
		})
	}
}

func TestARearmThatCanNotBeWrittenIsNone(t *testing.T) {
	b := ready(t)
	b.step(keyer.ReadBackMismatch{})
	b.diskErr = errTest
	b.rearm()
	b.diskErr = nil
	b.pass(5 * time.Second) // nor later, when nobody thinks of it
	if got := b.status(); got.GetTripped() != "read_back" || got.GetMuteReason() != "read_back" {
		t.Errorf("%v", got)
	}
}

func TestARearmCountsOnlyOnDisk(t *testing.T) {
	b := ready(t, transmission(0))
	b.step(keyer.ReadBackMismatch{})
	b.until(noon.Add(-3 * time.Second))
	b.holdDisk = true
	b.rearm()
	if end := b.permit(0); end.GetReason() != string(keyer.ReadBack) {
		t.Errorf("%v", end)
	}
	b.step(b.write())
	if end := b.permit(0); end != nil {
		t.Errorf("%v", end)
	}
}

func TestS5KeyingUpIsTriedUntilItWorks(t *testing.T) {
	b := onAir(t)
	b.unkeyErr = errTest
	b.sendHush(sealHush(hush(10, 1, "")))
	end := b.ends()
	if len(end) != 1 || end[0].GetReason() != string(keyer.UnkeyFailed) || end[0].UnkeyedUnixUs != nil {
		t.Fatalf("%v", end)
	}
	b.edges = nil
	b.pass(time.Second)
	if len(b.edges) < 9 || len(b.edges) > 11 {
		t.Errorf("%d tries in a second", len(b.edges))
	}
	if s := b.status(); !s.GetKeyed() || s.GetHushSilent() || s.GetTripped() == "" {
		t.Errorf("%v", s)
	}
	b.rearm()
	if s := b.status(); s.GetTripped() == "" {
		t.Error("re-armed while it may be keyed")
	}
	b.unkeyErr = nil
	b.pass(200 * time.Millisecond)
	if s := b.status(); s.GetKeyed() || !s.GetHushSilent() || s.GetTripped() == "" || b.carrier {
		t.Errorf("%v", s)
	}
}

func TestAFaultOfTheTransmitterEndsTheSlotAndNoMore(t *testing.T) {
	b := ready(t, transmission(0), transmission(1))
	b.until(noon.Add(-3 * time.Second))
	b.permit(0)
	b.keyErr = errTest
	b.until(noon.Add(2 * time.Second))
	b.ended(aborted, keyer.TransmitterError)
	for _, reply := range b.replies {
		if reply.GetKeyed() != nil {
			t.Error("said to be keyed")
		}
	}
	b = onAir(t)
	b.toneErr = errTest
	b.pass(time.Second)
	b.ended(aborted, keyer.TransmitterError)
	if s := b.status(); s.GetTripped() != "" {
		t.Errorf("%v", s)
	}
	b.step(keyer.TransmitterFault{Err: errTest}) // late, with nothing on the air
	b.step(keyer.Keyed{})                        // as above
	b.ended(aborted, keyer.TransmitterError)
}

func TestS12NothingStartsEarlyOrMoreThan200MillisecondsLate(t *testing.T) {
	for _, c := range []struct {
		stall time.Duration // into the slot, of the keyer
		want  keyer.Reason
	}{
		{1 * time.Second, ""},
		{1200 * time.Millisecond, ""},
		{1200*time.Millisecond + 1, keyer.Late},
		{time.Hour, keyer.Late},
	} {
		b := ready(t, transmission(0))
		b.until(noon.Add(999 * time.Millisecond))
		b.permit(0)
		b.skip(c.stall - 999*time.Millisecond)
		b.step(keyer.Tick{})
		if b.carrier != (c.want == "") {
			t.Errorf("%v: %v", c.stall, b.ends())
		}
		if c.want != "" {
			b.ended(skipped, c.want)
		}
	}
	for at, want := range map[time.Duration]keyer.Reason{
		-241 * time.Second: keyer.Early, -238 * time.Second: keyer.LeaseEnds, 1100 * time.Millisecond: "", 1300 * time.Millisecond: keyer.Late,
	} {
		b := newBench(t)
		b.now.Wall = noon.Add(-250 * time.Second)
		b.start()
		b.accepted(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(5))))
		b.accepted(b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 1, transmission(0)))))
		b.until(noon.Add(at))
		b.lease(10)
		if end := b.permit(0); end.GetReason() != string(want) {
			t.Errorf("permit at %v: %v", at, end)
		}
	}
}

func TestS12TheAgentsCorrectionMovesTheStart(t *testing.T) {
	b := ready(t, transmission(0))
	b.until(noon.Add(-10 * time.Second))
	b.permit(0)
	b.beat.WallOffsetNs = int64(3 * time.Second) // true time is three seconds further
	b.pass(time.Second)
	b.edges = nil
	b.until(noon.Add(1500 * time.Millisecond))
	if len(b.edges) == 0 || b.ends() != nil {
		t.Fatalf("%v", b.ends())
	}
	if late := b.now.Boot - b.edges[0].at; late != 500*time.Millisecond {
		t.Errorf("keyed %v before second 1.5", late)
	}
}

func TestS12AWallClockThatIsSetEndsWhatIsOnTheAir(t *testing.T) {
	for _, jump := range []time.Duration{11 * time.Millisecond, -11 * time.Millisecond, time.Hour, -time.Hour} {
		b := onAir(t)
		b.now.Wall = b.now.Wall.Add(jump)
		b.step(keyer.Tick{})
		b.ended(aborted, keyer.ClockStepped)
		if s := b.status(); s.GetMuteReason() != string(keyer.ClockStepped) {
			t.Errorf("%v", s)
		}
	}
	b := onAir(t)
	for range 50 {
		b.now.Wall = b.now.Wall.Add(500 * time.Microsecond) // slewed by 1 %
		b.pass(50 * time.Millisecond)
	}
	if !b.carrier {
		t.Errorf("%v", b.ends())
	}

	// Set between permit and start, to where the slot seems to have come.
	b = ready(t, transmission(0))
	b.until(noon.Add(-10 * time.Second))
	b.permit(0)
	b.now.Wall = b.now.Wall.Add(11100 * time.Millisecond)
	b.step(keyer.Tick{})
	b.ended(skipped, keyer.ClockStepped)
}

func TestOnePermitWaitsAtATime(t *testing.T) {
	b := ready(t, transmission(0), transmission(1))
	b.until(noon.Add(-3 * time.Second))
	b.permit(0)
	for range 2 {
		if end := b.permit(0); end.GetReason() != string(keyer.Busy) {
			t.Error(end)
		}
	}
	b.until(noon.Add(100 * time.Second))
	if end := b.permit(0); end.GetReason() != string(keyer.SlotUsed) {
		t.Error(end)
	}
	b.lease(10)
	if end := b.permit(1); end != nil { // while slot 0 is on the air
		t.Error(end)
	}
	b.until(noon.Add(4 * time.Minute))
	if n := len(b.ends()); n != 5 {
		t.Errorf("%d ends for 5 permits: %v", n, b.ends())
	}
}

func TestS1APermitNeedsTheOrdersThatItNames(t *testing.T) {
	b := ready(t, transmission(0))
	b.until(noon.Add(-3 * time.Second))
	for _, c := range []struct {
		slot            int64
		epoch, revision uint64
		want            keyer.Reason
	}{
		{1, 10, 1, keyer.NotListed},
		{-1 << 40, 10, 1, keyer.NotListed},
		{1 << 32, 10, 1, keyer.NotListed}, // slot 0 in 32 bits
		{0, 10, 2, keyer.Withdrawn},
		{0, 9, 1, keyer.Withdrawn},
		{0, 0, 0, keyer.Withdrawn},
	} {
		if end := b.permitUnder(c.slot, c.epoch, c.revision); end.GetReason() != string(c.want) {
			t.Errorf("%+v: %v", c, end)
		}
	}
	b = newBench(t)
	b.pass(time.Second)
	if end := b.permit(0); end.GetReason() != string(keyer.NoOrders) {
		t.Error(end)
	}
	// No heartbeat has ever come.
	b = ready(t, transmission(0))
	b.start()
	if end := b.permit(0); end.GetReason() != string(keyer.AgentSilent) {
		t.Error(end)
	}
}

func TestS1NewOrdersTakeASlotBack(t *testing.T) {
	later := func(o *wirev1.Orders) *wirev1.Orders { o.FromSlot = firstSlot + 1; return o }
	other := transmission(0, func(t *wirev1.Transmission) { t.FrequencyMillihertz += 10_000 })
	longer := func(o *wirev1.Orders) *wirev1.Orders {
		o.SlotSeconds = 60
		return o
	}
	for _, c := range []struct {
		what           string
		next           *wirev1.Orders
		before, during keyer.Reason // the start
	}{
		{"with the same transmission", orders(10, 2, transmission(0)), "", ""},
		{"without it", orders(10, 2), keyer.Withdrawn, keyer.Withdrawn},
		{"with another", orders(10, 2, other), keyer.Withdrawn, keyer.Withdrawn},
		{"from the next slot on", later(orders(10, 2)), keyer.Withdrawn, ""},
		{"of another slot length", longer(orders(10, 2)), keyer.Withdrawn, keyer.Withdrawn},
	} {
		b := ready(t, transmission(0))
		b.config.SimulatedTransmitter = true
		b.start()
		b.pass(time.Second)
		b.until(noon.Add(-3 * time.Second))
		b.permit(0)
		b.accepted(b.sendOrders(sealWith(coordinator, seal.Orders, c.next)))
		b.until(noon.Add(5 * time.Second))
		if got := first(b.ends()).GetReason(); got != string(c.before) || b.carrier != (c.before == "") {
			t.Errorf("before the start, %s: %v", c.what, got)
		}
		b = ready(t, transmission(0))
		b.config.SimulatedTransmitter = true
		b.start()
		b.pass(time.Second)
		b.until(noon.Add(-3 * time.Second))
		b.permit(0)
		b.until(noon.Add(5 * time.Second))
		b.accepted(b.sendOrders(sealWith(coordinator, seal.Orders, c.next)))
		if got := first(b.ends()).GetReason(); got != string(c.during) || b.carrier != (c.during == "") {
			t.Errorf("on the air, %s: %v", c.what, got)
		}
	}
}

func first(all []*keyerv1.Ended) *keyerv1.Ended {
	if len(all) == 0 {
		return nil
	}
	return all[0]
}

func TestS10TheLicenceRunsForTheWholeSlot(t *testing.T) {
	at := func(from, to int64) func(*wirev1.Envelope) {
		return func(e *wirev1.Envelope) { e.ValidFromUnix, e.ValidToUnix = from, to }
	}
	start, end := noon.Unix(), noon.Unix()+120
	for _, c := range []struct {
		from, to int64
		want     keyer.Reason
	}{
		{start, end, ""},
		{start + 1, end, keyer.OutsideLicence},
		{start, end - 1, keyer.OutsideLicence},
		{0, end, ""},
		{start, 0, ""},
		{0, start, keyer.OutsideLicence},
	} {
		b := ready(t, transmission(0))
		b.accepted(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(6, at(c.from, c.to)))))
		b.until(noon.Add(-3 * time.Second))
		if end := b.permit(0); end.GetReason() != string(c.want) {
			t.Errorf("%+v: %v", c, end)
		}
	}
}

func TestS10TheEnvelopeHasTheLastWord(t *testing.T) {
	for _, c := range []struct {
		what   string
		change func(*wirev1.Envelope)
		want   keyer.Reason
	}{
		{"no bands", func(e *wirev1.Envelope) { e.Bands = nil }, keyer.OutsideEnvelope},
		{"another slot length", func(e *wirev1.Envelope) { e.SlotSeconds = 60 }, keyer.SlotLength},
		{"less power in the segment", func(e *wirev1.Envelope) { e.Bands[0].Segments[0].LimitDbm = 29 }, keyer.TooMuchPower},
		{"just the power", func(e *wirev1.Envelope) { e.Bands[0].Segments[0].LimitDbm = 30 }, ""},
		{"edges below nothing", func(e *wirev1.Envelope) { e.Bands[0].Segments[0].FromHz = -1 }, keyer.OutsideEnvelope},
		{"edges beyond all", func(e *wirev1.Envelope) { e.Bands[0].Segments[0].ToHz = 1 << 62 }, keyer.OutsideEnvelope},
		{"two pieces, the second fits", func(e *wirev1.Envelope) {
			e.Bands[0].Segments = append([]*wirev1.Segment{{FromHz: 7000000, ToHz: 7040100, LimitDbm: 40}}, e.Bands[0].Segments...)
		}, ""},
	} {
		b := ready(t, transmission(0))
		b.config.SimulatedTransmitter = true
		b.start()
		b.accepted(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(6, c.change))))
		b.until(noon.Add(-3 * time.Second))
		if end := b.permit(0); end.GetReason() != string(c.want) {
			t.Errorf("%s: %v", c.what, end)
		}
	}
	b := newBench(t)
	b.accepted(b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 1, transmission(0)))))
	b.lease(10)
	b.until(noon.Add(-3 * time.Second))
	if end := b.permit(0); end.GetReason() != string(keyer.NoEnvelope) || b.status().GetMuteReason() != string(keyer.NoEnvelope) {
		t.Errorf("%v", end)
	}
}

func TestS11AnExtendedMessageFollowsAFullOneThatWasCompleted(t *testing.T) {
	half := func(t *wirev1.Transmission) {
		t.Message = &wirev1.Message{Callsign: "Q1ABC", Locator: "JO62QM", PowerDbm: 30, Kind: extended}
	}
	elsewhere := func(t *wirev1.Transmission) {
		t.Band, t.FrequencyMillihertz, t.Control = "20m", 14097100_000, automatic
	}
	for _, c := range []struct {
		what  string
		list  []*wirev1.Transmission
		stop  bool // the full one, half-way
		again bool // the keyer starts anew
		want  keyer.Reason
	}{
		{what: "in the next slot", list: []*wirev1.Transmission{transmission(0), transmission(1, half)}},
		{what: "8 minutes later", list: []*wirev1.Transmission{transmission(0), transmission(4, half)}},
		{what: "10 minutes later", list: []*wirev1.Transmission{transmission(0), transmission(5, half)}, want: keyer.NoFullBefore},
		{what: "on another band", list: []*wirev1.Transmission{transmission(0, elsewhere), transmission(1, half)}, want: keyer.NoFullBefore},
		{what: "after a full one that was broken off", list: []*wirev1.Transmission{transmission(0), transmission(1, half)}, stop: true, want: keyer.NoFullBefore},
		{what: "after a restart", list: []*wirev1.Transmission{transmission(0), transmission(1, half)}, again: true, want: keyer.NoFullBefore},
	} {
		t.Run(c.what, func(t *testing.T) {
			b := ready(t, c.list...)
			b.beatEvery = 250 * time.Millisecond
			b.until(noon.Add(-3 * time.Second))
			b.permit(0)
			b.until(noon.Add(60 * time.Second))
			if c.stop {
				b.say(stop(""))
			}
			b.until(noon.Add(115 * time.Second))
			if c.again {
				b.start()
			}
			slot := c.list[1].GetSlot() - firstSlot
			b.until(noon.Add(time.Duration(slot)*2*time.Minute - 3*time.Second))
			b.lease(10)
			if end := b.permit(slot); end.GetReason() != string(c.want) {
				t.Errorf("%v", end)
			}
			if c.want == "" {
				b.pass(2 * time.Minute)
				if ends := b.ends(); len(ends) != 2 || ends[1].GetKind() != sent {
					t.Errorf("%v", ends)
				}
			}
		})
	}
}

func TestS11SettingTheClockBringsNoFullMessageNearer(t *testing.T) {
	half := func(t *wirev1.Transmission) {
		t.Message = &wirev1.Message{Callsign: "Q1ABC", Locator: "JO62QM", PowerDbm: 30, Kind: extended}
	}
	b := ready(t, transmission(0), transmission(1, half))
	b.until(noon.Add(-3 * time.Second))
	b.permit(0)
	b.until(noon.Add(115 * time.Second))
	b.beatEvery = 250 * time.Millisecond
	b.pass(30 * time.Minute)
	b.now.Wall = noon.Add(110 * time.Second)
	b.pass(5 * time.Second)
	b.lease(10)
	if end := b.permit(1); end.GetReason() != string(keyer.NoFullBefore) {
		t.Errorf("%v", end)
	}
}

// An extended message names the call sign of the full one before it, and follows
// it in time also by a clock that was set back.
func TestS11AnExtendedMessageIsOfTheFullOneBefore(t *testing.T) {
	half := func(call string) func(*wirev1.Transmission) {
		return func(t *wirev1.Transmission) {
			t.Message = &wirev1.Message{Callsign: call, Locator: "JO62QM", PowerDbm: 30, Kind: extended}
		}
	}
	t.Run("another call sign", func(t *testing.T) {
		b := ready(t, transmission(0), transmission(1, half("Q2ABC")))
		b.until(noon.Add(-3 * time.Second))
		b.permit(0)
		b.until(noon.Add(115 * time.Second))
		b.accepted(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(6, func(e *wirev1.Envelope) { e.Callsign = "Q2ABC" }))))
		b.lease(10)
		if end := b.permit(1); end.GetReason() != string(keyer.NoFullBefore) {
			t.Errorf("%v", end)
		}
	})
	t.Run("a clock that was set back", func(t *testing.T) {
		b := ready(t, transmission(1, half("Q1ABC")), transmission(2))
		b.until(noon.Add(4*time.Minute - 3*time.Second))
		b.lease(10)
		b.permit(2)
		b.until(noon.Add(4*time.Minute + 115*time.Second))
		b.now.Wall = noon.Add(110 * time.Second)
		b.pass(5 * time.Second)
		b.lease(10)
		if end := b.permit(1); end.GetReason() != string(keyer.NoFullBefore) {
			t.Errorf("%v, after %v", end, b.ends())
		}
	})
}

// The next slot waits until the key is known to be up, but not for longer than
// it may be late.
func TestASlotWaitsForTheKeyToBeUp(t *testing.T) {
	for _, late := range []bool{false, true} {
		b := onAir(t, transmission(0), transmission(1))
		b.holdUnkey = true
		b.until(noon.Add(115 * time.Second))
		b.lease(10)
		if end := b.permit(1); end != nil {
			t.Fatal(end)
		}
		begins := noon.Add(121 * time.Second)
		b.until(begins.Add(-10 * time.Millisecond))
		tick := func(d time.Duration) { b.skip(d); b.step(keyer.Tick{}) }
		if tick(110 * time.Millisecond); b.carrier || len(b.ends()) != 0 {
			t.Errorf("keyed although the key may be down: %v", b.ends())
		}
		b.holdUnkey = false
		if late {
			tick(101 * time.Millisecond)
			b.ended(skipped, keyer.Late)
			continue
		}
		b.step(keyer.Unkeyed{})
		if ends := b.ends(); !b.carrier || len(ends) != 1 || ends[0].GetKind() != sent {
			t.Errorf("carrier %v, %v", b.carrier, ends)
		}
	}
}

func TestACompoundCallSignSaysItselfInTwoHalves(t *testing.T) {
	call := func(loc string, kind wirev1.MessageKind) func(*wirev1.Transmission) {
		return func(t *wirev1.Transmission) {
			t.Message = &wirev1.Message{Callsign: "QX9/QA7XYZ", Locator: loc, PowerDbm: 37, Kind: kind}
		}
	}
	b := ready(t, transmission(0, call("", full)), transmission(1, call("FN42AX", extended)))
	b.accepted(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(6, func(e *wirev1.Envelope) { e.Callsign = "QX9/QA7XYZ" }))))
	for slot := range int64(2) {
		b.until(noon.Add(time.Duration(slot)*2*time.Minute - 3*time.Second))
		b.lease(10)
		if end := b.permit(slot); end != nil {
			t.Fatal(end)
		}
		b.pass(119 * time.Second)
	}
	if ends := b.ends(); len(ends) != 2 || ends[0].GetKind() != sent || ends[1].GetKind() != sent {
		t.Errorf("%v", ends)
	}
}

// trial is a keyer with orders for a slot of 12 s at noon.
func trial(t *testing.T) (b *bench, slot int64) {
	b = newBench(t)
	b.config.SimulatedTransmitter = true
	b.start()
	o := orders(10, 1, transmission(0))
	slot = noon.Unix() / 12
	o.SlotSeconds, o.FromSlot, o.ToSlot, o.Transmissions[0].Slot = 12, slot, slot+1, slot
	b.accepted(b.sendOrders(sealWith(coordinator, seal.Orders, o)))
	b.accepted(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(5, func(e *wirev1.Envelope) { e.SlotSeconds = 12 }))))
	b.lease(10)
	b.until(noon.Add(-time.Second))
	b.permit(slot - firstSlot)
	b.edges = nil
	return b, slot
}

func TestTrialSlotsAreScaled(t *testing.T) {
	b, _ := trial(t)
	begins := b.now.Boot + time.Second
	b.pass(13 * time.Second)
	b.ended(sent, "")
	if len(b.edges) != 163 || b.edges[0].at-begins != 100*time.Millisecond || b.edges[162].at-begins != 11159200*time.Microsecond {
		t.Errorf("%d edges, %v to %v", len(b.edges), b.edges[0].at-begins, b.edges[162].at-begins)
	}
}

func TestATrialOnABusyMachineLeavesNoToneOut(t *testing.T) {
	b, _ := trial(t)
	b.until(noon.Add(50 * time.Millisecond))
	for range 55 { // steps of 200 ms, three symbols each
		b.skip(200 * time.Millisecond)
		b.say(&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Heartbeat{Heartbeat: b.beat}})
	}
	b.pass(time.Second)
	if end := b.ended(sent, ""); end.GetSymbols() != 162 || len(b.edges) != 163 {
		t.Errorf("%d edges, %v", len(b.edges), end)
	}
	b, _ = trial(t)
	b.until(noon.Add(11 * time.Second))
	b.skip(400 * time.Millisecond) // second 11.4 of 12 is second 114 of 120
	b.say(&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Heartbeat{Heartbeat: b.beat}})
	if end := b.ended(aborted, keyer.OutsideSlot); b.status().GetTripped() != "" {
		t.Errorf("%v", end)
	}
}
