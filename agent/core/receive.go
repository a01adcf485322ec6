package core

import (
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// refusal is why a message has no effect.
type refusal struct{ reason, sentence string }

func sealRefusal(err error) *refusal {
	if r, ok := errors.AsType[*seal.Refusal](err); ok {
		return &refusal{string(r.Reason), "The message has no effect: " + r.Sentence + "."}
	}
	return &refusal{"garbled", err.Error()}
}

// receive takes in a message from the link. An empty one never means anything.
func (c *Core) receive(m Message) {
	if len(m.Payload) == 0 {
		return
	}
	switch m.Kind {
	case topic.Orders:
		c.receiveOrders(m.Payload)
	case topic.Hush:
		c.receiveHush(m.Payload)
	case topic.Lease:
		c.receiveLease(m.Payload)
	case topic.Receipts:
		c.receiveReceipt(m.Payload)
	default:
		c.refuse("message", &refusal{"not_for_agents", fmt.Sprintf("A message came on %q, where no agent listens.", cut(string(m.Kind), 40))})
	}
}

func (c *Core) refuse(what string, r *refusal) { c.note(what+"_refused", r.reason, r.sentence) }

func (c *Core) receiveReceipt(sealed []byte) {
	payload, err := c.config.Keys.Open(seal.Receipt, c.config.Address.Network, c.config.Address.Beacon, sealed)
	if err != nil {
		c.refuse("receipt", sealRefusal(err))
		return
	}
	var receipt wirev1.Receipt
	if err := proto.Unmarshal(payload, &receipt); err != nil || len(receipt.GetRanges()) > maxRanges {
		c.refuse("receipt", &refusal{"invalid", fmt.Sprintf("A receipt is garbled or has more than %d ranges.", maxRanges)})
		return
	}
	for _, r := range receipt.GetRanges() {
		if r.GetFirstSeq() == 0 || r.GetFirstSeq() > r.GetLastSeq() {
			c.refuse("receipt", &refusal{"invalid", "A receipt has an impossible range of numbers."})
			return
		}
	}
	c.window.received(receipt.GetRanges(), c.now.Boot)
}
