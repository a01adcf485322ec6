package keyer

import (
	"time"

	"google.golang.org/protobuf/proto"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/onair/wspr"
	"lamplighter/proto/planted"
)

// key is the state of the key line and of what waits for it.
type key struct {
	pending   *job           // permitted, and to be keyed
	onAir     *job           // the key is down
	ending    *keyerv1.Ended // waits for the key to be up
	keyingUp  bool           // Unkey was asked for, and not answered
	stuck     bool           // nobody knows whether the key is up
	unkeyAt   time.Duration  // when to try that again
	lastStart time.Time      // of the slot that was keyed last
	lastFull  *job           // the full message that was completed last
	stopped   Reason         // why the agent stopped a slot
	stoppedTo time.Time      // the end of that slot
}

// tryKey keys what is pending when its time has come and all holds.
func (c *Core) tryKey() {
	j := c.key.pending
	c.place(j)
	late := c.missed(j)
	busy := c.key.onAir != nil || c.key.keyingUp
	if c.now.Boot < j.startsAt() || (busy && !late) {
		if !busy {
			c.prepare(j)
		}
		return
	}
	c.key.pending = nil
	if late {
		c.skip(j, Late)
		return
	}
	if no := c.ask(conditions, j); no != nil {
		c.skip(j, no.reason)
		return
	}
	c.keyDown(j)
}

// prepare tells the transmitter once of what is to be keyed soon, if that may be
// keyed as things stand.
func (c *Core) prepare(j *job) {
	if j.prepared || c.now.Boot < j.preparesAt() {
		return
	}
	if j.prepared = c.ask(conditions, j) == nil; j.prepared {
		c.do(Prepare{Hz: j.tone(0), DrivePercent: int(j.ordered.GetDrivePercent())})
	}
}

func (c *Core) keyDown(j *job) {
	j.keyedAt, j.keyedOn, j.begun = c.now.Boot, c.clock(), 1
	c.key.onAir, c.key.lastStart = j, j.start
	c.do(Key{Hz: j.tone(0), DrivePercent: int(j.ordered.GetDrivePercent())})
}

// tone is the frequency of a symbol in hertz.
func (j *job) tone(i int) float64 {
	return wspr.ToneHz(float64(j.ordered.GetFrequencyMillihertz())/1000, j.symbols[i])
}

// goOn looks after what is on the air: first whether it still may be, then
// which symbols have come.
func (c *Core) goOn() {
	j := c.key.onAir
	if planted.Is("S5 a key-down without end") && c.now.Boot-j.keyedAt < 2*time.Minute {
		return
	}
	if c.now.Boot-j.keyedAt > longestKeyDown(j.length) {
		c.trip(Watchdog, "")
		c.endOnAir(Watchdog)
		return
	}
	if no := c.mayGoOn(j); no != nil {
		c.endOnAir(no.reason)
		return
	}
	for ; j.begun < slot.Symbols && c.now.Boot >= j.edge(); j.begun++ {
		c.do(Tone{j.tone(j.begun)})
	}
	if j.begun == slot.Symbols && c.now.Boot >= j.endsAt() {
		c.finish(j)
	}
}

func (c *Core) mayGoOn(j *job) *refusal {
	if c.agent.jumped {
		return refuse(ClockStepped, "")
	}
	into := c.clock().Sub(j.start)
	if into < 0 || into >= silentFrom(j.length) {
		return refuse(OutsideSlot, "")
	}
	return c.ask(lasting, j)
}

// finish ends a transmission that was sent whole.
func (c *Core) finish(j *job) {
	if j.ordered.GetMessage().GetKind() == wirev1.MessageKind_MESSAGE_KIND_FULL {
		c.key.lastFull = j
	}
	c.end(wirev1.OutcomeKind_OUTCOME_KIND_SENT, "")
}

// endOnAir breaks off what is on the air, if anything is.
func (c *Core) endOnAir(r Reason) {
	if c.key.onAir != nil {
		c.end(wirev1.OutcomeKind_OUTCOME_KIND_ABORTED, r)
	}
}

// endAll breaks off what is on the air and skips what is pending.
func (c *Core) endAll(r Reason) {
	c.endOnAir(r)
	if j := c.key.pending; j != nil {
		c.key.pending = nil
		c.skip(j, r)
	}
}

// silence breaks everything off and keys up in any case.
func (c *Core) silence(r Reason) {
	c.endAll(r)
	if !c.key.keyingUp {
		c.keyUp()
	}
}

// end keys up. How the slot ended is told when the key is up.
func (c *Core) end(kind wirev1.OutcomeKind, r Reason) {
	j := c.key.onAir
	if c.key.ending != nil {
		panic("one transmission ends while another has yet to")
	}
	c.key.onAir = nil
	c.key.ending = &keyerv1.Ended{
		Slot: j.permit.GetSlot(), Orders: j.permit.GetOrders(), Kind: kind, Reason: string(r),
		KeyedUnixUs: proto.Int64(j.keyedOn.UnixMicro()), Symbols: uint32(j.begun),
	}
	c.keyUp()
}

// skip tells of a slot that is not sent. What was prepared for it is undone.
func (c *Core) skip(j *job, r Reason) {
	if j.prepared {
		c.keyUp()
	}
	c.ended(&keyerv1.Ended{
		Slot: j.permit.GetSlot(), Orders: j.permit.GetOrders(), Reason: string(r),
		Kind: wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED,
	})
}

func (c *Core) ended(m *keyerv1.Ended) {
	c.reply(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Ended{Ended: m}})
}

func (c *Core) keyUp() {
	c.key.keyingUp, c.key.unkeyAt = true, c.now.Boot+unkeyAgain
	c.do(Unkey{})
}

// keyed takes the result of keying.
func (c *Core) keyed(err error) {
	j := c.key.onAir
	switch {
	case err != nil:
		c.endOnAir(TransmitterError)
	case j != nil:
		c.reply(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Keyed{Keyed: &keyerv1.Keyed{
			Slot: j.permit.GetSlot(), KeyedUnixUs: j.keyedOn.UnixMicro(),
		}}})
	}
}

// unkeyed takes the result of keying up. A failure trips, and is tried again
// for ever.
func (c *Core) unkeyed(err error) {
	c.key.keyingUp, c.key.stuck = false, err != nil
	if err != nil {
		c.trip(UnkeyFailed, err.Error())
		c.endAll(UnkeyFailed)
	}
	if m := c.key.ending; m != nil {
		c.key.ending = nil
		if err != nil {
			m.Kind, m.Reason = wirev1.OutcomeKind_OUTCOME_KIND_ABORTED, string(UnkeyFailed)
		} else {
			m.UnkeyedUnixUs = proto.Int64(c.clock().UnixMicro())
		}
		c.ended(m)
	}
}

// stop ends what is on the air or pending, and the slot that is running now.
func (c *Core) stop(word string) {
	r := stopReason(word)
	c.silence(r)
	orders := c.onDisk.orders
	if orders == nil || c.agent.heard == nil {
		return
	}
	length := slot.Length(orders.message.GetSlotSeconds())
	c.key.stopped, c.key.stoppedTo = r, length.End(length.At(c.clock()))
}

// stopReason lets the agent name its reason, if that is a short plain word.
func stopReason(word string) Reason {
	if word == "" || len(word) > maxReasonFromPipe {
		return Stopped
	}
	for _, letter := range word {
		if letter != '_' && (letter < 'a' || letter > 'z') {
			return Stopped
		}
	}
	return Reason(word)
}
