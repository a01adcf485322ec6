package core

import (
	"time"

	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/topic"
)

const (
	announceBurst = 10          // changes that are told at once
	announceEvery = time.Second // after which there is room for one more
	sensorsLast   = 15 * time.Second
)

// health is when the beacon last said how it is.
type health struct {
	sampleAt  time.Duration
	liveSeq   uint64
	announced *marks // of the latest live message; nil: tell now
	spent     int    // of the burst
	refillAt  time.Duration
	sensors   Sensors
	sensedAt  time.Duration
	measured  *wirev1.Steadiness // the latest that was kept as a record
}

// sampleHealth takes a sample every so often: said live and kept as a record.
func (c *Core) sampleHealth() {
	if !c.due(c.health.sampleAt) {
		return
	}
	every := c.config.HealthEvery
	c.health.sampleAt = c.now.Boot + c.jitter.between(every*19/20, every)
	c.wakeAt(c.health.sampleAt)
	sample := c.sample()
	if !c.journal.failing {
		c.record(&wirev1.Record{Body: &wirev1.Record_Health{Health: c.kept(sample)}})
	}
	c.sayHealth(sample)
}

// kept is a sample as it becomes a record: how steady the oscillator is, only
// when that is new.
func (c *Core) kept(sample *wirev1.Health) *wirev1.Health {
	if c.health.measured != sample.GetSteadiness() {
		c.health.measured = sample.GetSteadiness()
		return sample
	}
	record := proto.CloneOf(sample)
	record.Steadiness = nil
	return record
}

// announceHealth says at once when something changed that people wait for: on
// the air or off, a hush and its silence, the lock, the orders, why it is mute.
func (c *Core) announceHealth() {
	h := &c.health
	for h.spent > 0 && c.due(h.refillAt) {
		h.spent--
		h.refillAt += announceEvery
	}
	if !c.linkUp {
		return
	}
	if h.announced != nil && *h.announced == c.marks() || h.spent >= announceBurst {
		return
	}
	if h.spent == 0 {
		h.refillAt = c.now.Boot + announceEvery
	}
	h.spent++
	c.sayHealth(c.sample())
}

// marks are the parts of a sample whose change is told at once. They are looked
// at in every step, and a sample is made when they change.
type marks struct {
	lock                  wirev1.Lock
	onAir, hushSilent     bool
	band, mute, clock     string
	slot                  int64
	ordersEpoch, revision uint64
	hushEpoch, hushCount  uint64
}

func (c *Core) marks() marks {
	s := c.keyer.status
	orders, hush := c.confirmed(), lowerHush(hushNumber(c.hush.held), s.GetHush())
	m := marks{
		mute: c.muteReason(), hushSilent: s.GetHushSilent(),
		ordersEpoch: orders.GetEpoch(), revision: orders.GetRevision(),
		hushEpoch: hush.GetEpoch(), hushCount: hush.GetNumber(),
	}
	if c.clock.fresh(c.now) {
		m.lock, m.clock = c.clock.reading.Lock, c.clock.reading.Reason
	}
	m.onAir, m.band, m.slot = c.air()
	return m
}

func (c *Core) sayHealth(sample *wirev1.Health) {
	if !c.linkUp {
		return
	}
	c.health.liveSeq++
	announced := c.marks()
	c.health.announced = &announced
	live := proto.CloneOf(sample)
	live.Network, live.Beacon, live.Run = c.config.Address.Network, c.config.Address.Beacon, c.config.Run
	live.LiveSeq = c.health.liveSeq
	c.publish(topic.Health, live)
}

// sample says how the beacon is now.
func (c *Core) sample() *wirev1.Health {
	t := c.trueTime()
	s := c.keyer.status
	h := &wirev1.Health{
		MuteReason: c.muteReason(), Orders: c.confirmed(),
		Hush: lowerHush(hushNumber(c.hush.held), s.GetHush()), HushSilent: s.GetHushSilent(),
		OutboxRecords: c.journal.room.Records, DiskFreeBytes: c.journal.room.FreeBytes,
		UptimeSeconds: uint64((c.now.Boot - c.started) / time.Second),
		Version:       c.config.Version, Reader: Reader, TakenUnixMs: t.UnixMilli(),
	}
	c.describeClock(h)
	c.describeAir(h)
	if c.now.Boot-c.health.sensedAt <= sensorsLast {
		h.SupplyVolts, h.ForwardWatts, h.ReflectedWatts = c.health.sensors.SupplyVolts, c.health.sensors.ForwardWatts, c.health.sensors.ReflectedWatts
	}
	if left := c.longestLease(); left > 0 {
		until := t.Add(left).UnixMilli()
		h.LeaseUntilUnixMs = &until
	}
	if c.tally.Day == day(t) {
		h.SentToday, h.SkippedToday = c.tally.Sent, c.tally.Skipped
	}
	return h
}

func (c *Core) describeClock(h *wirev1.Health) {
	if !c.clock.fresh(c.now) {
		return
	}
	r := c.clock.reading
	h.Lock, h.Satellites, h.ClockReason = r.Lock, r.Satellites, r.Reason
	h.TemperatureCelsius, h.Steadiness = r.Celsius, r.Steadiness
	if bound, known := c.bound(); known {
		ns := bound.Nanoseconds()
		h.ClockErrorBoundNs = &ns
		if r.SilentIn != nil {
			left := uint64(max(0, *r.SilentIn-(c.now.Boot-c.clock.at.Boot)) / time.Second)
			h.SilentInSeconds = &left
		}
	}
	if ppb, known := c.frequencyPPB(); known {
		h.FrequencyUncertaintyPpb = &ppb
	}
	if !r.LockSince.IsZero() {
		since := r.LockSince.UnixMilli()
		h.LockSinceUnixMs = &since
	}
}

func (c *Core) describeAir(h *wirev1.Health) { h.OnAir, h.Band, h.Slot = c.air() }

// air is what is on the air, if anything is.
func (c *Core) air() (on bool, band string, slot int64) {
	for _, open := range c.slots.open {
		if open.keyed && int64(open.slot) >= slot {
			on, band, slot = true, open.outcome.GetTransmission().GetBand(), int64(open.slot)
		}
	}
	return on, band, slot
}

// muteReason is why the beacon would not transmit if a slot came now.
func (c *Core) muteReason() string {
	if reason := c.whyNot(c.next()); reason != None {
		return string(reason)
	}
	return cut(c.keyer.status.GetMuteReason(), 40)
}

func (c *Core) ordersEnded() bool {
	length := slot.Length(c.orders.held.GetSlotSeconds())
	ends := length.Start(slot.Number(c.orders.held.GetToSlot()))
	t := c.trueTime()
	c.wakeAt(c.bootAt(t, ends))
	return !t.Before(ends)
}

// count adds an outcome to those of the day in which its slot started.
func (c *Core) count(o *wirev1.Outcome) {
	length := slot.Length(c.slotSeconds())
	started := day(length.Start(slot.Number(o.GetTransmission().GetSlot())))
	if started > c.tally.Day {
		c.tally = Tally{Day: started}
	}
	switch {
	case started < c.tally.Day:
	case o.GetKind() == wirev1.OutcomeKind_OUTCOME_KIND_SENT:
		c.tally.Sent++
	default:
		c.tally.Skipped++
	}
	c.journal.changed = true
}

// slotSeconds is the length of a slot in the orders, or else the licence.
func (c *Core) slotSeconds() uint32 {
	if c.orders.held != nil {
		return c.orders.held.GetSlotSeconds()
	}
	return max(1, c.envelope.GetSlotSeconds())
}
