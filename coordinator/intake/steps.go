package intake

import (
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/store"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/topic"
)

// The bounds of a batch, as its description states them; the payload is its
// records with what frames them.
const (
	maxRecords      = 500
	maxRecordBytes  = 256 << 10
	maxPayloadBytes = maxRecordBytes + 8<<10
	maxLiveBytes    = 16 << 10
)

// message is a delivery on its way through the steps.
type message struct {
	delivery broker.Delivery
	received time.Time // for how long it took, never for when it was

	address topic.Address
	kind    topic.Kind
	lane    *lane // where it waits
	body    spoken
	reports store.Reports // what is to be stored of it
	bad     []*Refusal    // records of a batch that are left out
}

// spoken is what all messages that come up have in common.
type spoken interface {
	GetNetwork() string
	GetBeacon() string
}

// rules is what the steps need to know.
type rules struct {
	network    string
	known      func(beacon string) bool
	slotLength func() slot.Length
}

// steps is the way of a message up to the queue. The first refusal ends it.
var steps = []struct {
	name string
	do   func(rules, *message) *Refusal
}{
	{"topic", readTopic},
	{"fleet", checkKnown},
	{"size", checkSize},
	{"decode", decode},
	{"identity", checkIdentity},
	{"present", checkPresent},
	{"validate", validate},
}

func (r rules) walk(m *message) *Refusal {
	for _, step := range steps {
		if refusal := step.do(r, m); refusal != nil {
			return refusal
		}
	}
	return nil
}

func readTopic(r rules, m *message) *Refusal {
	address, kind, err := topic.Parse(m.delivery.Topic)
	if err != nil {
		return refuse(BadTopic, "%v", err)
	}
	switch kind {
	case topic.Records:
		m.body = &recordBatch{}
	case topic.Health:
		m.body = &wirev1.Health{}
	case topic.Presence:
		m.body = &wirev1.Presence{}
	default:
		return refuse(NotForIntake, "%s is not for the intake", kind)
	}
	if address.Network != r.network {
		return refuse(BadTopic, "the topic is of network %q and this coordinator looks after %q", address.Network, r.network)
	}
	m.address, m.kind = address, kind
	return nil
}

func checkKnown(r rules, m *message) *Refusal {
	if !r.known(m.address.Beacon) {
		return refuse(UnknownBeacon, "beacon %q is not in the fleet: add it to the fleet file, or stop the agent that uses this name", m.address.Beacon)
	}
	return nil
}

func checkSize(_ rules, m *message) *Refusal {
	most := maxLiveBytes
	if m.kind == topic.Records {
		most = maxPayloadBytes
	}
	switch size := len(m.delivery.Payload); {
	case size == 0:
		return refuse(Empty, "%s of %s is empty and changes nothing", m.kind, m.address.Beacon)
	case size > most:
		return refuse(TooLarge, "%s of %s has %d bytes, and at most %d are looked at", m.kind, m.address.Beacon, size, most)
	}
	return nil
}

func decode(_ rules, m *message) *Refusal {
	name, err := protoreflect.Name("RecordBatch"), error(nil)
	switch body := m.body.(type) {
	case *recordBatch:
		err = parseBatch(m.delivery.Payload, m.address, body)
	case proto.Message:
		name = body.ProtoReflect().Descriptor().Name()
		err = proto.UnmarshalOptions{DiscardUnknown: true}.Unmarshal(m.delivery.Payload, body)
	}
	if err != nil {
		return refuse(Garbled, "%d bytes from %s are no %s", len(m.delivery.Payload), m.address.Beacon, name)
	}
	return nil
}

func checkIdentity(_ rules, m *message) *Refusal {
	if m.body.GetNetwork() != m.address.Network || m.body.GetBeacon() != m.address.Beacon {
		return refuse(WrongIdentity, "on the topic of %s in network %s came a message that says it is of %.64q in %.64q",
			m.address.Beacon, m.address.Network, m.body.GetBeacon(), m.body.GetNetwork())
	}
	return nil
}

// checkPresent keeps out what the broker kept from another time, except for
// presence, which is meant to be kept.
func checkPresent(_ rules, m *message) *Refusal {
	if m.delivery.Retained && m.kind != topic.Presence {
		return refuse(WasRetained, "%s of %s was retained by the broker, and only presence may be", m.kind, m.address.Beacon)
	}
	return nil
}

func validate(r rules, m *message) *Refusal {
	switch body := m.body.(type) {
	case *recordBatch:
		return readBatch(r, m, body)
	case *wirev1.Health:
		return readHealth(m, body)
	case *wirev1.Presence:
		return readPresence(m, body)
	default:
		return refuse(NotForIntake, "%T is not for the intake", body)
	}
}
