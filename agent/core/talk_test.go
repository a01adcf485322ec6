package core_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

func TestAHushReachesTheKeyerBeforeAnythingElseIsDone(t *testing.T) {
	w := running(t)
	actions := w.core.Step(w.now, core.Message{Kind: topic.Hush, Payload: sealed(signer, seal.Hush, hushOf(1, ""))})
	first, ok := actions[0].(core.ToKeyer)
	if !ok || first.Message.GetHush() == nil {
		t.Errorf("the first action is %#v", actions[0])
	}
}

func TestAHushIsConfirmedInTheStepInWhichTheKeyerSaysSo(t *testing.T) {
	w := running(t)
	w.disk.full = true // which must not hold it up
	w.hush(4, "")
	if h := w.live(); h.GetHush().GetNumber() != 4 || !h.GetHushSilent() || h.GetMuteReason() != "hushed" {
		t.Errorf("the live health says %v", h)
	}
}

func TestWhichHushCounts(t *testing.T) {
	for _, test := range []struct {
		name   string
		then   *wirev1.Hush // after number 5, which hushes 40m
		passed bool
	}{
		{"a higher number with more", hushOf(6, ""), true},
		{"a higher number with less", hushOf(6), true},
		{"the same number with more", hushOf(5, "40m", "20m"), true},
		{"the same number with all", hushOf(5, ""), true},
		{"the same number with less", hushOf(5), false},
		{"the same number with something else", hushOf(5, "20m"), false},
		{"the same again", hushOf(5, "40m"), false},
		{"a lower number with more", hushOf(4, ""), false},
	} {
		t.Run(test.name, func(t *testing.T) {
			w := running(t)
			w.hush(5, "40m")
			w.toKeyer = nil
			w.step(core.Message{Kind: topic.Hush, Payload: sealed(signer, seal.Hush, test.then)})
			if passed := len(w.toKeyer) == 1 && w.toKeyer[0].GetHush() != nil; passed != test.passed {
				t.Errorf("the keyer was told %v", w.toKeyer)
			}
		})
	}
}

// requests runs the world for d and says when lease requests went out.
func requests(w *world, d time.Duration) []time.Duration {
	var at []time.Duration
	began := w.now.Boot
	for n := w.count(topic.LeaseRequest); w.now.Boot < began+d; {
		w.advance(100 * time.Millisecond)
		if now := w.count(topic.LeaseRequest); now > n {
			n = now
			at = append(at, w.now.Boot-began)
		}
	}
	return at
}

func TestHowOftenALeaseIsAskedFor(t *testing.T) {
	remote, automatic := wirev1.Control_CONTROL_REMOTE, wirev1.Control_CONTROL_AUTOMATIC
	for _, test := range []struct {
		name          string
		control       wirev1.Control
		ttl           time.Duration
		shortest, gap time.Duration // between requests
	}{
		{"a remote one every 20 s", remote, 3 * time.Minute, 18 * time.Second, 20 * time.Second},
		{"an automatic one every 5 min", automatic, 6 * time.Hour, 270 * time.Second, 300 * time.Second},
		{"a short one each third of its time", automatic, 30 * time.Second, 9 * time.Second, 10 * time.Second},
	} {
		t.Run(test.name, func(t *testing.T) {
			w := running(t)
			w.grant = allGrant(test.ttl)
			w.order(ordersFor(1, []int64{slotAt(23 * time.Hour)}, control(test.control)))
			w.advance(time.Second)
			at := requests(w, 30*time.Minute)
			if len(at) < 5 {
				t.Fatalf("asked at %v", at)
			}
			for i := 1; i < len(at); i++ {
				if gap := at[i] - at[i-1]; gap < test.shortest || gap > test.gap+200*time.Millisecond {
					t.Errorf("asked again after %v, want %v to %v", gap, test.shortest, test.gap)
				}
			}
		})
	}
}

func TestALeaseIsAskedForAtOnce(t *testing.T) {
	w := newWorld(t)
	w.start()
	w.advance(time.Minute)
	if n := w.count(topic.LeaseRequest); n != 0 {
		t.Errorf("asked %d times without a link", n)
	}
	w.connect()
	if n := w.count(topic.LeaseRequest); n != 1 {
		t.Errorf("on connecting: %d requests, want 1", n)
	}
	w.order(ordersFor(1, nil))
	if n := w.count(topic.LeaseRequest); n != 2 || revision(w.latestRequest().GetConfirmed()) != 1 {
		t.Errorf("when orders are confirmed: %d requests, the last %v", n, w.latestRequest())
	}
	w.disconnect()
	w.connect()
	if n := w.count(topic.LeaseRequest); n != 3 {
		t.Errorf("on connecting again: %d requests, want 3", n)
	}
}

func TestAnUnansweredLeaseRequestIsRepeatedLessAndLessOften(t *testing.T) {
	w := newWorld(t)
	w.grant = nil
	w.start()
	w.connect()
	at := requests(w, 10*time.Minute)
	if len(at) < 10 || len(at) > 30 {
		t.Fatalf("asked %d times in ten minutes: %v", len(at), at)
	}
	if at[0] > 6*time.Second || at[len(at)-1]-at[len(at)-2] > time.Minute+time.Second {
		t.Errorf("asked at %v", at)
	}
}

func TestARefusedLeaseIsToldOnceAndAskedForAgain(t *testing.T) {
	w := newWorld(t)
	w.grant = func(r *wirev1.LeaseRequest) *wirev1.LeaseGrant {
		return &wirev1.LeaseGrant{Nonce: r.GetNonce(), BootId: r.GetBootId(), Refusal: "another device speaks for this beacon"}
	}
	w.start()
	w.connect()
	at := requests(w, 9*time.Minute)
	if diff := cmp.Diff([]string{"lease_not_granted"}, w.events()); diff != "" {
		t.Error(diff)
	}
	if len(at) < 8 {
		t.Errorf("asked at %v", at)
	}
}

// A newer envelope of the coordinator's goes to the keyer; an older one, one for
// somebody else and one that is forged change nothing.
func TestANewerEnvelopeGoesToTheKeyer(t *testing.T) {
	w := newWorld(t)
	w.start()
	w.advance(time.Minute)
	envelope := func(by *seal.Signer, beacon string, number uint64) core.Licensed {
		return core.Licensed{Envelope: sealed(by, seal.Envelope, &wirev1.Envelope{Network: address.Network, Beacon: beacon, Number: number, SlotSeconds: 120, Source: "a trial"})}
	}
	garbled := envelope(signer, address.Beacon, 9)
	garbled.Envelope = garbled.Envelope[:len(garbled.Envelope)/2]
	for _, e := range []core.Licensed{envelope(stranger, address.Beacon, 8), envelope(signer, address.Beacon, 6), envelope(signer, address.Beacon, 7), garbled, {}} {
		w.toKeyer = nil
		w.step(e)
		w.advance(time.Minute)
		if n := w.keyer.status.GetEnvelope(); n != 7 {
			t.Errorf("the keyer has envelope %d", n)
		}
	}
	w.step(envelope(signer, address.Beacon, 8))
	w.advance(time.Second)
	if n := w.keyer.status.GetEnvelope(); n != 8 {
		t.Errorf("the keyer has envelope %d, not the newer one", n)
	}
	if diff := cmp.Diff([]string{"envelope_replaced"}, w.events()); diff != "" {
		t.Error(diff)
	}
}

func samples(w *world) (recorded int) {
	for _, r := range w.disk.all {
		if r.GetHealth() != nil {
			recorded++
		}
	}
	return recorded
}

func TestHealthIsRecordedEveryHalfMinuteAndSaidLive(t *testing.T) {
	w := running(t)
	w.advance(time.Minute) // until all is calm
	recorded, live := samples(w), w.count(topic.Health)
	w.advance(30 * time.Minute)
	if n := samples(w) - recorded; n < 59 || n > 64 {
		t.Errorf("%d samples recorded in 30 minutes", n)
	}
	if n := w.count(topic.Health) - live; n < 59 || n > 66 {
		t.Errorf("%d live ones in 30 minutes", n)
	}
	h := w.live()
	if h.GetNetwork() != address.Network || h.GetBeacon() != address.Beacon || h.GetRun() != w.config().Run || h.GetReader() != core.Reader {
		t.Errorf("the live one does not say who speaks: %v", h)
	}
	if h.GetLock() != wirev1.Lock_LOCK_LOCKED || h.GetClockErrorBoundNs() != int64(time.Millisecond) || h.GetFrequencyUncertaintyPpb() != 20 {
		t.Errorf("the live one says of the clock: %v", h)
	}
	if h.LeaseUntilUnixMs == nil || h.Satellites != nil || h.DiskFreeBytes != nil {
		t.Errorf("what is known is missing, or what is not known is there: %v", h)
	}
}

func TestAChangeIsSaidLiveAtOnceAndNotRecorded(t *testing.T) {
	for _, test := range []struct {
		name   string
		change func(*world)
	}{
		{"the lock is lost", func(w *world) { w.clock.Lock = wirev1.Lock_LOCK_HOLDOVER; w.readAt = 0; w.advance(0) }},
		{"a hush comes", func(w *world) { w.hush(1, "") }},
		{"orders are confirmed", func(w *world) { w.order(ordersFor(1, nil)) }},
		{"the clock is unsure", func(w *world) { w.clock.Known = false; w.readAt = 0; w.advance(0) }},
		{"the keyer trips", func(w *world) { w.keyer.status.Tripped = "watchdog"; w.readAt = 0; w.advance(0) }},
	} {
		t.Run(test.name, func(t *testing.T) {
			w := running(t)
			w.advance(time.Minute)
			recorded, live, now := samples(w), w.count(topic.Health), w.now.Boot
			test.change(w)
			if w.now.Boot != now || w.count(topic.Health) == live {
				t.Error("nothing was said at once")
			}
			if samples(w) != recorded {
				t.Error("it was recorded")
			}
		})
	}
}

func TestAFloodOfChangesIsSaidAtABoundedRate(t *testing.T) {
	w := running(t)
	w.advance(time.Minute)
	live := w.count(topic.Health)
	for i := range 2000 { // 100 s
		w.hush(uint64(i+1), []string{"40m"}[:i%2]...)
		w.advance(50 * time.Millisecond)
	}
	if n := w.count(topic.Health) - live; n > 120 {
		t.Errorf("%d live messages in 100 s", n)
	}
	w.advance(2 * time.Second)
	if h := w.live(); h.GetHush().GetNumber() != 2000 {
		t.Errorf("the last word is %v", h)
	}
}

func TestTheHeartbeatSaysOnlyWhatIsKnown(t *testing.T) {
	w := running(t)
	w.clock.Offset, w.clock.Bound = -3*time.Millisecond, 7*time.Millisecond
	w.advance(time.Second)
	beat := w.core.Heartbeat(w.now).GetHeartbeat()
	want := &keyerv1.Heartbeat{WallOffsetNs: -3e6, ClockErrorBoundNs: new(int64(7e6)), FrequencyUncertaintyPpb: new(20.0)}
	if !proto.Equal(beat, want) {
		t.Errorf("got %v, want %v", beat, want)
	}
	w.now.Wall, w.now.Boot = w.now.Wall.Add(6*time.Second), w.now.Boot+6*time.Second
	if beat := w.core.Heartbeat(w.now).GetHeartbeat(); !proto.Equal(beat, &keyerv1.Heartbeat{}) {
		t.Errorf("six seconds after the last reading: %v", beat)
	}
}

func TestADoubtfulClockIsNoted(t *testing.T) {
	w := running(t)
	w.clock.Bound = 101 * time.Millisecond
	w.advance(5 * time.Second)
	if diff := cmp.Diff([]string{"clock_doubtful"}, w.events()); diff != "" {
		t.Error(diff)
	}
	if h := w.live(); h.GetMuteReason() == "clock_unsure" {
		t.Error("a doubtful clock mutes already")
	}
}

// After a machine stood still, clock and keyer are both heard before either is
// missed.
func TestAMachineThatStoodStillMissesNobody(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(20 * time.Minute)}))
	w.advance(10 * time.Second)
	before := w.count(topic.Health)
	status := proto.CloneOf(w.keyer.status)
	status.LeaseLeft = []*wirev1.LeaseTerm{{Control: wirev1.Control_CONTROL_REMOTE, TimeToLiveMs: 150_000}}
	w.now.Wall, w.now.Boot = w.now.Wall.Add(10*time.Second), w.now.Boot+10*time.Second
	w.carryOut(w.core.Step(w.now, core.ClockRead{Reading: w.clock}, core.KeyerSaid{Message: &keyerv1.FromKeyer{
		Body: &keyerv1.FromKeyer_Status{Status: status},
	}}))
	if n := w.count(topic.Health) - before; n != 0 {
		t.Errorf("%d changes were told, the latest %q", n, w.live().GetMuteReason())
	}
}
