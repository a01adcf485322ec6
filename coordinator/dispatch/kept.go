package dispatch

import (
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/lease"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// HandleKept looks at orders or a hush that somebody published for the broker to
// keep. A coordinator that hung may wake, and say what held when it led; agents
// know better, but a device that comes new would believe it.
func (d *Dispatcher) HandleKept(delivery broker.Delivery) {
	defer delivery.Done()
	t := d.leading()
	address, kind, err := topic.Parse(delivery.Topic)
	if t == nil || err != nil {
		return
	}
	t.board.replaced(delivery.Topic, delivery.Payload, func() lease.Number { return t.numberOf(kind, address, delivery.Payload) })
}

// numberOf is the number of orders or of a hush; zero: nobody here said that.
func (t *term) numberOf(kind topic.Kind, address topic.Address, message []byte) lease.Number {
	ring := seal.NewKeyring(t.options.Signer.Public())
	purpose := seal.Orders
	if kind == topic.Hush {
		purpose = seal.Hush
	}
	payload, err := ring.Open(purpose, address.Network, address.Beacon, message)
	if err != nil {
		return lease.Number{}
	}
	if kind == topic.Hush {
		var hush wirev1.Hush
		if proto.Unmarshal(payload, &hush) != nil {
			return lease.Number{}
		}
		return lease.Number{Epoch: hush.GetEpoch(), Revision: hush.GetNumber()}
	}
	var orders wirev1.Orders
	if proto.Unmarshal(payload, &orders) != nil {
		return lease.Number{}
	}
	return lease.Number{Epoch: orders.GetEpoch(), Revision: orders.GetRevision()}
}
