package keyer_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"lamplighter/agent/keyer"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

// oracle knows what the coordinator really sealed and what really happened, and
// judges each carrier by that alone. It shares no code with the keyer.
type oracle struct {
	*bench
	t *rapid.T

	orders   *wirev1.Orders // accepted, on disk
	written  silence        // the hush state that is there for certain
	latest   silence        // the one to be obeyed besides
	hushNo   uint64
	orderNo  uint64
	grants   []granted
	tripped  bool
	lastBeat time.Duration
	permits  int
	seen     int // replies looked at

	wasOn   bool
	onSince time.Duration
	onSlot  *wirev1.Transmission
	reached map[string]int
}

type granted struct {
	bootID string
	ends   map[wirev1.Control]time.Duration
}

// silence is a hush state.
type silence struct {
	number uint64
	bands  []string
}

func (s silence) covers(band string) bool {
	return slices.Contains(s.bands, "") || slices.Contains(s.bands, band)
}

// look is asked after each step.
func (o *oracle) look() {
	if o.status().GetHush().GetNumber() == o.latest.number && o.latest.number > o.written.number {
		o.written = o.latest // written at last
	}
	if o.carrier && !o.wasOn {
		o.keyedDown()
	}
	if o.carrier {
		o.stillOn()
	}
	if !o.carrier && o.wasOn {
		o.reached["keyed up"]++
	}
	o.wasOn = o.carrier
}

func (o *oracle) keyedDown() {
	o.onSince = o.now.Boot
	slot := int64(math.Floor(float64(o.trueTime().UnixNano()) / 120e9))
	into := o.trueTime().Sub(time.Unix(slot*120, 0))
	if into < time.Second || into > 1200*time.Millisecond {
		o.t.Fatalf("S12: keyed %v into the slot", into)
	}
	o.onSlot = nil
	for _, t := range o.orders.GetTransmissions() {
		if t.GetSlot() == slot {
			o.onSlot = t
		}
	}
	if o.onSlot == nil {
		o.t.Fatalf("S1: keyed in a slot that is not listed")
	}
	if hz := o.edges[len(o.edges)-1].hz; math.Abs(hz-float64(o.onSlot.GetFrequencyMillihertz())/1000) > 2.2 {
		o.t.Fatalf("S1: keyed on %.3f Hz", hz)
	}
	if o.beat.ClockErrorBoundNs == nil || o.beat.GetClockErrorBoundNs() > 500e6 {
		o.t.Fatalf("S3: keyed with a clock that is not sure")
	}
	if o.leaseEnd(o.onSlot.GetControl()) < o.now.Boot-into+111592*time.Millisecond+5*time.Second {
		o.t.Fatalf("S2: keyed %v before the end of the lease", o.leaseEnd(o.onSlot.GetControl())-o.now.Boot)
	}
	o.reached["keyed down"]++
}

func (o *oracle) stillOn() {
	switch {
	case o.leaseEnd(o.onSlot.GetControl()) < o.now.Boot:
		o.t.Fatalf("S2: on the air without a lease")
	case o.written.covers(o.onSlot.GetBand()) || o.latest.covers(o.onSlot.GetBand()):
		o.t.Fatalf("S6: on the air under a hush")
	case o.now.Boot-o.lastBeat >= 300*time.Millisecond:
		o.t.Fatalf("S7: on the air %v after the last heartbeat", o.now.Boot-o.lastBeat)
	case o.now.Boot-o.onSince > 112*time.Second:
		o.t.Fatalf("S5: on the air for %v", o.now.Boot-o.onSince)
	case o.tripped:
		o.t.Fatalf("S5: on the air after a trip")
	case o.trueTime().Sub(time.Unix(o.onSlot.GetSlot()*120, 0)) >= 114*time.Second:
		o.t.Fatalf("S5: on the air after second 114")
	}
}

// leaseEnd is the latest that any lease granted by the coordinator allows.
func (o *oracle) leaseEnd(c wirev1.Control) (end time.Duration) {
	for _, g := range o.grants {
		if g.bootID == o.config.BootID {
			end = max(end, g.ends[c])
		}
	}
	return end
}

// acts is what may happen, in any order.
func (o *oracle) acts() map[string]func(*rapid.T) {
	return map[string]func(*rapid.T){
		"pass": func(t *rapid.T) {
			d := rapid.SampledFrom([]time.Duration{
				time.Millisecond, 40 * time.Millisecond, 350 * time.Millisecond, time.Second, 3 * time.Second, 20 * time.Second, time.Minute,
			}).Draw(t, "for")
			o.pass(d)
		},
		"to the next slot": func(*rapid.T) { o.toNextSlot() },
		"good hour": func(t *rapid.T) { // all that a transmission needs
			o.diskErr, o.keyErr, o.toneErr = nil, nil, nil
			o.beat.ClockErrorBoundNs, o.beatEvery = ptr(int64(1e6)), 200*time.Millisecond
			o.beatNow()
			o.toNextSlot()
			o.present(2 * time.Hour)
			o.rearm()
			o.tripped = o.status().GetTripped() != ""
			o.hushNo += 2
			o.accepted(o.sendHush(sealHush(hush(10, o.hushNo))))
			o.latest = silence{o.hushNo, nil}
			o.written = o.latest
			o.orderNo++
			next := onEachBand()[rapid.IntRange(0, 2).Draw(t, "band")]
			next.Slot = o.trueTime().Unix()/120 + 1
			o.orders = orders(10, o.orderNo, next)
			o.accepted(o.sendOrders(sealWith(coordinator, seal.Orders, o.orders)))
			o.renew(11, allTerms()...)
			o.ask(1)
			o.pass(8 * time.Second)
		},
		"stall": func(t *rapid.T) {
			o.skip(time.Duration(rapid.IntRange(1, 4000).Draw(t, "ms")) * time.Millisecond)
			o.step(keyer.Tick{})
		},
		"set the wall clock": func(t *rapid.T) {
			// The agent notices, and corrects for it.
			by := time.Duration(rapid.IntRange(-5000, 5000).Draw(t, "ms")) * time.Millisecond
			o.now.Wall = o.now.Wall.Add(by)
			o.beat.WallOffsetNs -= int64(by)
			o.beatNow()
		},
		"clock quality": func(t *rapid.T) {
			o.beat.ClockErrorBoundNs = rapid.SampledFrom([]*int64{nil, ptr(int64(1e6)), ptr(int64(4e8)), ptr(int64(6e8))}).Draw(t, "bound")
			o.beatNow()
		},
		"heart": func(t *rapid.T) {
			if rapid.Bool().Draw(t, "beats") {
				o.beatEvery = 200 * time.Millisecond
				o.beatNow()
			} else {
				o.beatAt, o.beatEvery = o.now.Boot+2*time.Second, 2*time.Second
			}
		},
		"permit": func(t *rapid.T) { o.ask(rapid.Int64Range(-1, 2).Draw(t, "slot")) },
		"orders": func(t *rapid.T) {
			o.orderNo += rapid.Uint64Range(0, 1).Draw(t, "newer")
			var list []*wirev1.Transmission
			for slot := range int64(40) {
				if rapid.IntRange(0, 3).Draw(t, "listed") > 0 {
					list = append(list, onEachBand()[rapid.IntRange(0, 2).Draw(t, "band")])
					list[len(list)-1].Slot = firstSlot + slot
				}
			}
			next := orders(10, o.orderNo, list...)
			if o.sendOrders(o.maybeForged(t, seal.Orders, next)).GetRefusal() == "" {
				o.orders = next
			}
		},
		"hush": func(t *rapid.T) {
			bands := rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"", "40m", "20m", "10m"}), 0, 2, rapid.ID).Draw(t, "bands")
			o.hushNo += rapid.Uint64Range(0, 2).Draw(t, "newer")
			v := o.sendHush(o.maybeForged(t, seal.Hush, hush(10, o.hushNo, bands...)))
			switch v.GetRefusal() {
			case "":
				o.latest = silence{o.hushNo, bands}
				o.written = o.latest
			case string(keyer.NotOnDisk):
				o.latest = silence{o.hushNo, bands}
			}
			o.look()
		},
		"lease": func(t *rapid.T) {
			var terms []*wirev1.LeaseTerm
			for _, c := range []wirev1.Control{local, remote, automatic} {
				if rapid.Bool().Draw(t, "granted") {
					terms = append(terms, term(c, time.Duration(rapid.IntRange(1, 200).Draw(t, "seconds"))*time.Second))
				}
			}
			o.renew(rapid.Uint64Range(9, 11).Draw(t, "epoch"), terms...)
		},
		"stop": func(*rapid.T) { o.say(stop("")) },
		"restart": func(*rapid.T) {
			o.anew(o.start)
		},
		"reboot": func(t *rapid.T) {
			if rapid.IntRange(0, 4).Draw(t, "really") == 0 {
				o.anew(o.reboot)
			}
		},
		"disk": func(t *rapid.T) {
			o.diskErr = rapid.SampledFrom([]error{nil, nil, errTest}).Draw(t, "error")
		},
		"transmitter": func(t *rapid.T) {
			o.keyErr = rapid.SampledFrom([]error{nil, nil, nil, errTest}).Draw(t, "key")
			o.toneErr = rapid.SampledFrom([]error{nil, nil, nil, errTest}).Draw(t, "tone")
		},
		"read-back": func(t *rapid.T) {
			if rapid.IntRange(0, 4).Draw(t, "really") == 0 {
				o.tripped = true
				o.step(keyer.ReadBackMismatch{})
			}
		},
		"re-arm": func(*rapid.T) {
			o.rearm()
			o.tripped = o.status().GetTripped() != ""
		},
		"": func(t *rapid.T) {
			if owed := o.owed(); owed < 0 || owed > 2 { // one on the air, one that waits
				t.Fatalf("S14: %d ends are owed", owed)
			}
		},
	}
}

// anew is a new process. It can't know what was never on disk, nor how permits
// ended that nobody told.
func (o *oracle) anew(start func()) {
	o.latest, o.permits, o.seen = o.written, 0, len(o.replies)
	start()
	o.tripped = o.status().GetTripped() != ""
}

func (o *oracle) toNextSlot() {
	t := o.trueTime()
	next := time.Unix((t.Unix()/120+1)*120-4, 0)
	if next.After(t) {
		o.pass(next.Sub(t))
	}
}

func (o *oracle) ask(ahead int64) {
	slot := o.trueTime().Unix()/120 - firstSlot + ahead
	o.permits++
	o.permitUnder(slot, 10, o.orders.GetRevision())
}

func (o *oracle) renew(epoch uint64, terms ...*wirev1.LeaseTerm) {
	asked := o.now.Boot
	g := granted{o.config.BootID, map[wirev1.Control]time.Duration{}}
	for _, t := range terms {
		g.ends[t.GetControl()] = asked + time.Duration(t.GetTimeToLiveMs())*time.Millisecond
	}
	o.grants = append(o.grants, g)
	nonce := o.nonce()
	o.sendLease(sealWith(coordinator, seal.Lease, o.grant(nonce, epoch, terms...)))
}

func (o *oracle) beatNow() { o.beatAt = o.now.Boot }

// maybeForged seals as the coordinator does, or as a stranger would.
func (o *oracle) maybeForged(t *rapid.T, purpose seal.Purpose, m proto.Message) []byte {
	if rapid.IntRange(0, 5).Draw(t, "forged") == 0 {
		return sealWith(stranger, purpose, m)
	}
	return sealWith(coordinator, purpose, m)
}

// owed is how many permits have not ended.
func (o *oracle) owed() int {
	owed := o.permits
	for _, reply := range o.replies[o.seen:] {
		if reply.GetEnded() != nil {
			owed--
		}
	}
	return owed
}

func TestACarrierIsOnlyWhereEverythingAllowsIt(t *testing.T) {
	reached := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		o := &oracle{bench: ready(t, onEachBand()...), t: t, orderNo: 1, reached: reached}
		o.beatEvery = 200 * time.Millisecond
		o.orders = orders(10, 1, onEachBand()...)
		o.beat.FrequencyUncertaintyPpb = ptr(10.0)
		o.lease(10)
		o.grants = []granted{{thisRun, map[wirev1.Control]time.Duration{
			local: o.now.Boot + 8*time.Hour, remote: o.now.Boot + 180*time.Second, automatic: o.now.Boot + 24*time.Hour,
		}}}
		o.watch = o.look
		o.hear = func(*keyerv1.Heartbeat) { o.lastBeat = o.now.Boot }
		t.Repeat(o.acts())
		// Whatever is owed comes, once the keyer is left alone.
		o.pass(7 * time.Minute)
		if owed := o.owed(); owed != 0 {
			t.Fatalf("S14: %d ends are owed for ever", owed)
		}
	})
	t.Log(reached)
	for _, point := range []string{"keyed down", "keyed up"} {
		if reached[point] < 5 { // of 20 runs with -short, 100 without
			t.Errorf("%q was reached %d times: the test has lost its point ", point, reached[point])
		}
	}
}
