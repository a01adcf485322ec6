package sim

import (
	"encoding/binary"
	"fmt"
	"time"

	"lamplighter/agent/core"
	"lamplighter/agent/keyer"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// tell gives the keyer a message.
func (d *device) tell(m *keyerv1.ToKeyer) {
	if d.keyer == nil {
		return
	}
	d.world.oracle.told(d, m)
	switch body := m.GetBody().(type) {
	case *keyerv1.ToKeyer_NonceRequest:
		var made keyer.NonceRequested
		binary.BigEndian.PutUint64(made.Nonce[:], d.chance.Uint64())
		binary.BigEndian.PutUint64(made.Nonce[8:], d.chance.Uint64()|1)
		d.world.oracle.nonce(d, made.Nonce)
		d.work = append(d.work, made)
		return
	case *keyerv1.ToKeyer_Permit:
		d.expect(body.Permit.GetSlot())
	default:
		d.keep(m)
	}
	d.work = append(d.work, keyer.FromAgent{Message: m})
}

// keep remembers a sealed message, for whoever replays it later.
func (d *device) keep(m *keyerv1.ToKeyer) {
	if m.GetStop() != nil {
		return
	}
	kind := fmt.Sprintf("%T", m.GetBody())
	if list := d.archive[kind]; len(list) < 16 {
		d.archive[kind] = append(list, m)
	} else {
		list[d.chance.IntN(len(list))] = m
	}
}

// expect looks closely around the time at which a slot is to be keyed: the first
// that is permitted, for a keyer takes one at a time.
func (d *device) expect(n int64) {
	if d.expected != 0 && d.world.now < d.expected+2*time.Second {
		return
	}
	d.awaited = n
	start := slot.Standard.Start(slot.Number(n)).Add(slot.Standard.Timing().StartOffset())
	d.expected = start.Sub(d.world.began) - d.clockError()
	d.watched = d.chance.IntN(64) == 0
	d.phase = time.Duration(d.chance.Int64N(int64(beat)))
}

// clockError is the keyer's clock less true time.
func (d *device) clockError() time.Duration {
	return d.keyerClock().Sub(d.world.time())
}

func (d *device) keyerClock() time.Time {
	return d.machine.wall(d.world.now).Add(time.Duration(d.lastBeat.GetWallOffsetNs()))
}

// carryOut is the keyer's shell.
func (d *device) carryOut(actions []keyer.Action) {
	for _, action := range actions {
		switch a := action.(type) {
		case keyer.Key:
			d.onAirAt, d.expected = d.world.now, 0
			err := d.transmitter.key(a.Hz)
			d.work = append(d.work, keyer.Keyed{Err: err})
			if d.transmitter.mismatch {
				d.work = append(d.work, keyer.ReadBackMismatch{})
			}
		case keyer.Tone:
			d.world.oracle.tone(d, a.Hz)
		case keyer.Unkey:
			d.onAirAt = 0
			d.work = append(d.work, keyer.Unkeyed{Err: d.transmitter.unkey()})
		case keyer.Persist:
			d.persist(a.State)
		case keyer.Remember:
			d.remembered = a.Tripped
		case keyer.Examine:
			d.work = append(d.work, keyer.Examined{Err: d.transmitter.examine()})
		case keyer.Reply:
			d.world.oracle.said(d, a.Message)
			if s := a.Message.GetStatus(); s != nil {
				d.tripped = s.GetTripped()
			}
			if e := a.Message.GetEnded(); e.GetKind() == wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED && e.GetSlot() == d.awaited && e.GetReason() != string(keyer.Busy) {
				d.expected = 0
			}
			if d.agent != nil && !d.old(a.Message.GetStatus()) {
				d.hear(a.Message)
			}
		}
	}
}

// old says whether a status says nothing new. While a carrier goes on, the agent
// is not given each of these.
func (d *device) old(s *keyerv1.Status) bool {
	if s == nil || d.onAirAt == 0 || d.watched {
		return false
	}
	before := d.heard
	if before.GetKeyed() == s.GetKeyed() && before.GetMuteReason() == s.GetMuteReason() && before.GetTripped() == s.GetTripped() &&
		before.GetHushed() == s.GetHushed() && before.GetHushSilent() == s.GetHushSilent() &&
		before.GetOrders().GetEpoch() == s.GetOrders().GetEpoch() && before.GetOrders().GetRevision() == s.GetOrders().GetRevision() &&
		before.GetHush().GetEpoch() == s.GetHush().GetEpoch() && before.GetHush().GetNumber() == s.GetHush().GetNumber() &&
		d.world.now-d.heardAt < 4*each {
		return true
	}
	d.heard, d.heardAt = s, d.world.now
	return false
}

// hear gives the agent the keyer's message.
func (d *device) hear(m *keyerv1.FromKeyer) {
	said := core.KeyerSaid{Message: m}
	if d.hung {
		d.waiting = append(d.waiting, said)
		return
	}
	d.work = append(d.work, said)
}

// persist writes the keyer's state as a whole, or not at all.
func (d *device) persist(state []byte) {
	run, lands := d.keyerRun, d.chance.IntN(2) == 0
	d.world.after(d.diskTime(), func() {
		switch {
		case d.keyerRun != run:
			if lands && d.keyerRun == run+1 {
				d.state = state
				d.world.reach("a kill during a write of the keyer that landed")
			}
		case d.stateFails:
			d.world.reach("a keyer that can't write")
			d.keyerStep(keyer.Stored{Err: errDeaf})
		default:
			d.state = state
			d.keyerStep(keyer.Stored{})
		}
	})
}
