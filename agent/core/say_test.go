package core_test

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// What tests say and look at.

type transmission func(*wirev1.Transmission)

func control(c wirev1.Control) transmission {
	return func(t *wirev1.Transmission) { t.Control = c }
}

// slotAt is the slot that starts this long after midnight.
func slotAt(d time.Duration) int64 { return int64(slot.Standard.At(midnight.Add(d))) }

// ordersFor makes orders with transmissions in the given slots.
func ordersFor(revision uint64, slots []int64, changes ...transmission) *wirev1.Orders {
	o := &wirev1.Orders{
		Network: address.Network, Beacon: address.Beacon, Epoch: 1, Revision: revision, LeastReader: 1,
		SlotSeconds: 120, FromSlot: slotAt(0), ToSlot: slotAt(24 * time.Hour),
	}
	for _, n := range slots {
		tx := &wirev1.Transmission{
			Slot: n, Band: "40m", FrequencyMillihertz: 7_040_100_000, UncertaintyMillihertz: 352,
			Message: &wirev1.Message{Callsign: "Q1ABC", Locator: "JO65", PowerDbm: 30}, DrivePercent: 80,
			Control: wirev1.Control_CONTROL_REMOTE,
		}
		for _, change := range changes {
			change(tx)
		}
		o.Transmissions = append(o.Transmissions, tx)
	}
	return o
}

func (w *world) order(o *wirev1.Orders) {
	w.step(core.Message{Kind: topic.Orders, Payload: sealed(signer, seal.Orders, o)})
}

func (w *world) hush(number uint64, bands ...string) {
	w.step(core.Message{Kind: topic.Hush, Payload: sealed(signer, seal.Hush, hushOf(number, bands...))})
}

func hushOf(number uint64, bands ...string) *wirev1.Hush {
	h := &wirev1.Hush{Network: address.Network, Beacon: address.Beacon, Epoch: 1, Number: number}
	for _, band := range bands {
		h.Scopes = append(h.Scopes, &wirev1.HushScope{Band: band, GivenFor: "beacon mill-hf", Reason: "trial", GivenBy: "warden"})
	}
	return h
}

func (w *world) outcomes() []*wirev1.Outcome {
	var list []*wirev1.Outcome
	for _, r := range w.disk.all {
		if o := r.GetOutcome(); o != nil {
			list = append(list, o)
		}
	}
	return list
}

// told are the outcomes in short: "slot kind reason", slots counted from midnight.
func (w *world) told() []string {
	var list []string
	for _, o := range w.outcomes() {
		list = append(list, fmt.Sprintf("%d %s", o.GetTransmission().GetSlot()-slotAt(0), short(o)))
	}
	return list
}

func short(o *wirev1.Outcome) string {
	kind := map[wirev1.OutcomeKind]string{1: "sent", 2: "skipped", 3: "aborted"}[o.GetKind()]
	if o.GetReason() != "" {
		kind += " " + o.GetReason()
	}
	return kind
}

func (w *world) events() []string {
	var list []string
	for _, r := range w.disk.all {
		if e := r.GetEvent(); e != nil {
			list = append(list, e.GetWhat())
		}
	}
	return list
}

func (w *world) count(kind topic.Kind) int {
	n := 0
	for _, p := range w.published {
		if p.Kind == kind {
			n++
		}
	}
	return n
}

// live is the latest live health.
func (w *world) live() *wirev1.Health {
	for _, p := range slices.Backward(w.published) {
		if p.Kind == topic.Health {
			var h wirev1.Health
			if err := proto.Unmarshal(p.Payload, &h); err != nil {
				w.t.Fatalf("health: %v", err)
			}
			return &h
		}
	}
	return &wirev1.Health{}
}

func (w *world) latestRequest() *wirev1.LeaseRequest {
	var r wirev1.LeaseRequest
	for _, p := range w.published {
		if p.Kind == topic.LeaseRequest {
			if err := proto.Unmarshal(p.Payload, &r); err != nil {
				w.t.Fatalf("lease request: %v", err)
			}
		}
	}
	return &r
}

// receipt says that everything up to seq of a run is stored.
func (w *world) receipt(boot string, first, last uint64) {
	for seq := first; seq <= last; seq++ {
		w.disk.receipts[core.Key{Boot: boot, Seq: seq}] = true
	}
	w.step(core.Message{Kind: topic.Receipts, Payload: sealed(signer, seal.Receipt, &wirev1.Receipt{
		Network: address.Network, Beacon: address.Beacon,
		Ranges: []*wirev1.ReceiptRange{{Boot: boot, FirstSeq: first, LastSeq: last}},
	})})
}

// sealedRaw signs any bytes for the purpose of a kind of message.
func sealedRaw(kind topic.Kind, payload []byte) []byte {
	purpose := map[topic.Kind]seal.Purpose{
		topic.Orders: seal.Orders, topic.Hush: seal.Hush, topic.Lease: seal.Lease, topic.Receipts: seal.Receipt,
	}[kind]
	return signer.Seal(purpose, address.Network, address.Beacon, payload)
}
