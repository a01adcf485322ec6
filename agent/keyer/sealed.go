package keyer

import (
	"bytes"
	"cmp"
	"errors"

	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/planted"
	"lamplighter/proto/seal"
)

// held is a signed message that was verified.
type held[M message] struct {
	sealed  []byte // exactly as it came
	payload []byte
	message M
	number  number
}

// number orders messages of one kind.
type number struct{ epoch, count uint64 }

func (n number) compare(other number) int {
	return cmp.Or(cmp.Compare(n.epoch, other.epoch), cmp.Compare(n.count, other.count))
}

// message is what every sealed message is.
type message interface {
	proto.Message
	GetNetwork() string
	GetBeacon() string
}

// open verifies a sealed message that is addressed to this beacon and that this
// program can read. What it says is read into m.
func open[M message](config Config, purpose seal.Purpose, sealed []byte, m M, numbered func(M) number) (*held[M], *refusal) {
	payload, err := config.Keys.Open(purpose, config.Network, config.Beacon, sealed)
	var no *seal.Refusal
	if errors.As(err, &no) {
		return nil, refuse(Reason(no.Reason), "%s", no.Sentence)
	}
	if err := proto.Unmarshal(payload, m); err != nil {
		return nil, refuse(Garbled, "%s of %d bytes", purpose, len(payload))
	}
	if (m.GetNetwork() != config.Network || m.GetBeacon() != config.Beacon) && !planted.Is("S1 anybody's orders") {
		return nil, refuse(WrongAddress, "%.64q in %.64q", m.GetBeacon(), m.GetNetwork())
	}
	if v, ok := any(m).(interface{ GetLeastReader() uint32 }); ok && v.GetLeastReader() > Reader {
		return nil, refuse(UpdateNeeded, "it has format %d, and this program reads up to %d", v.GetLeastReader(), Reader)
	}
	return &held[M]{bytes.Clone(sealed), payload, m, numbered(m)}, nil
}

// succeeds says whether next may take the place of old: only with a higher
// number. The same once more is no refusal.
func succeeds[M message](old, next *held[M]) *refusal {
	var before number
	if old != nil {
		before = old.number
	}
	switch order := next.number.compare(before); {
	case order > 0, order == 0 && old != nil && bytes.Equal(old.payload, next.payload):
		return nil
	case order == 0 && old != nil:
		return refuse(Conflicting, "%d.%d", next.number.epoch, next.number.count)
	}
	if planted.Is("S9 older orders") {
		return nil
	}
	return refuse(Older, "%d.%d, and %d.%d is held", next.number.epoch, next.number.count, before.epoch, before.count)
}

// same says whether next is old once more.
func same[M message](old, next *held[M]) bool {
	return old != nil && bytes.Equal(old.payload, next.payload)
}

func (c *Core) takeEnvelope(sealed []byte) *refusal {
	next, no := open(c.config, seal.Envelope, sealed, &wirev1.Envelope{}, func(m *wirev1.Envelope) number {
		return number{0, m.GetNumber()}
	})
	if no != nil {
		return no
	}
	if no := c.checkEnvelope(next.message); no != nil {
		return no
	}
	no = succeeds(c.wanted.envelope, next)
	if no == nil && !same(c.wanted.envelope, next) {
		c.wanted.envelope = next
	}
	return no
}

func (c *Core) checkEnvelope(m *wirev1.Envelope) *refusal {
	if no := c.checkSlotLength(m.GetSlotSeconds()); no != nil {
		return no
	}
	if len(m.GetBands()) > maxEnvelopeBands {
		return refuse(OutOfBounds, "%d bands, of at most %d", len(m.GetBands()), maxEnvelopeBands)
	}
	for _, band := range m.GetBands() {
		if len(band.GetSegments()) > maxSegments {
			return refuse(OutOfBounds, "%d segments in %.16q, of at most %d", len(band.GetSegments()), band.GetBand(), maxSegments)
		}
	}
	return nil
}

// checkSlotLength keeps real transmitters to the standard length.
func (c *Core) checkSlotLength(seconds uint32) *refusal {
	length := slot.Length(seconds)
	if length == slot.Standard || (c.config.SimulatedTransmitter && length.Check() == nil) {
		return nil
	}
	return refuse(SlotLength, "%d s", seconds)
}

func (c *Core) takeOrders(sealed []byte) *refusal {
	next, no := open(c.config, seal.Orders, sealed, &wirev1.Orders{}, func(m *wirev1.Orders) number {
		return number{m.GetEpoch(), m.GetRevision()}
	})
	if no != nil {
		return no
	}
	if no := c.checkOrders(next.message); no != nil {
		return no
	}
	no = succeeds(c.wanted.orders, next)
	if no == nil && !same(c.wanted.orders, next) {
		c.wanted.orders = next
	}
	return no
}

func (c *Core) checkOrders(m *wirev1.Orders) *refusal {
	if no := c.checkSlotLength(m.GetSlotSeconds()); no != nil {
		return no
	}
	from, to := m.GetFromSlot(), m.GetToSlot()
	if from < 0 || to > maxSlot || from > to || to-from > maxSlots {
		return refuse(OutOfBounds, "slots %d to %d", from, to)
	}
	if n := len(m.GetTransmissions()); n > maxTransmissions {
		return refuse(OutOfBounds, "%d transmissions, of at most %d", n, maxTransmissions)
	}
	next := from
	for _, t := range m.GetTransmissions() {
		if t.GetSlot() < next || t.GetSlot() >= to {
			return refuse(OutOfBounds, "slot %d is out of order or outside %d to %d", t.GetSlot(), from, to)
		}
		next = t.GetSlot() + 1
	}
	return nil
}
