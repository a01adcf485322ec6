package core_test

import (
	"crypto/sha256"
	"encoding/binary"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/seal"
)

func (w *world) keyerNext() time.Duration {
	next := core.Never
	for _, p := range w.keyer.permits {
		next = min(next, w.bootAt(slot.Standard.Start(slot.Number(p.GetSlot())).Add(time.Second)),
			w.bootAt(slot.Standard.Start(slot.Number(p.GetSlot())).Add(112*time.Second)))
		if at := w.bootAt(slot.Standard.Start(slot.Number(p.GetSlot())).Add(time.Second)); w.now.Boot >= at {
			next = w.bootAt(slot.Standard.Start(slot.Number(p.GetSlot())).Add(112 * time.Second))
		}
	}
	return next
}

func (w *world) bootAt(t time.Time) time.Duration { return w.now.Boot + t.Sub(w.now.Wall) }

// runKeyer keys down and up what was permitted.
func (w *world) runKeyer() {
	for _, p := range slices.Clone(w.keyer.permits) {
		start := slot.Standard.Start(slot.Number(p.GetSlot()))
		if !w.now.Wall.Before(start.Add(time.Second)) && !w.keyer.status.GetKeyed() && w.now.Wall.Before(start.Add(112*time.Second)) {
			w.keyer.status.Keyed, w.keyer.keyed[p.GetSlot()] = true, true
			w.step(core.KeyerSaid{Message: &keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Keyed{Keyed: &keyerv1.Keyed{Slot: p.GetSlot(), KeyedUnixUs: w.now.Wall.UnixMicro()}}}})
		}
		if !w.now.Wall.Before(start.Add(112 * time.Second)) {
			w.end(p, wirev1.OutcomeKind_OUTCOME_KIND_SENT, "")
		}
	}
}

func (w *world) end(p *keyerv1.Permit, kind wirev1.OutcomeKind, reason string) {
	w.keyer.permits = slices.DeleteFunc(w.keyer.permits, func(q *keyerv1.Permit) bool { return q == p })
	w.keyer.status.Keyed = false
	if w.keyer.noEnd {
		return
	}
	up := w.now.Wall.UnixMicro()
	w.step(core.KeyerSaid{Message: &keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Ended{Ended: &keyerv1.Ended{
		Slot: p.GetSlot(), Orders: p.GetOrders(), Kind: kind, Reason: reason, UnkeyedUnixUs: &up, Symbols: 162,
	}}}})
}

func (w *world) hear(m *keyerv1.ToKeyer) {
	w.toKeyer = append(w.toKeyer, m)
	k := &w.keyer
	if k.status == nil || w.now.Boot < k.hang {
		return
	}
	switch body := m.GetBody().(type) {
	case *keyerv1.ToKeyer_Envelope:
		k.status.Envelope = envelopeNumber(body.Envelope)
	case *keyerv1.ToKeyer_Orders:
		w.keyerOrders(body.Orders)
	case *keyerv1.ToKeyer_Hush:
		var h wirev1.Hush
		w.open(seal.Hush, body.Hush, &h)
		k.status.Hush = &wirev1.HushNumber{Epoch: h.GetEpoch(), Number: h.GetNumber()}
		k.status.Hushed = len(h.GetScopes()) > 0
		w.from(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Status{Status: proto.CloneOf(k.status)}})
	case *keyerv1.ToKeyer_Lease:
		w.keyerLease(body.Lease)
	case *keyerv1.ToKeyer_NonceRequest:
		k.nonces++
		w.from(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Nonce{Nonce: &keyerv1.Nonce{Nonce: binary.BigEndian.AppendUint64(nil, k.nonces), BootId: "kernel-1"}}})
	case *keyerv1.ToKeyer_Permit:
		if w.disk.intents[slot.Number(body.Permit.GetSlot())] == nil {
			w.t.Fatalf("slot %d was permitted without an intent on the disk", body.Permit.GetSlot())
		}
		k.permits = append(k.permits, body.Permit)
	case *keyerv1.ToKeyer_Stop:
		for _, p := range slices.Clone(k.permits) {
			kind := wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED
			if k.status.GetKeyed() {
				kind = wirev1.OutcomeKind_OUTCOME_KIND_ABORTED
			}
			w.keyer.permits = nil
			k.status.Keyed = false
			w.from(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Ended{Ended: &keyerv1.Ended{Slot: p.GetSlot(), Orders: p.GetOrders(), Kind: kind, Reason: body.Stop.GetReason()}}})
		}
	}
}

func (w *world) keyerOrders(sealedOrders []byte) {
	sum := sha256.Sum256(sealedOrders)
	verdict := &keyerv1.Verdict{Kind: "orders", Digest: sum[:], Refusal: w.keyer.refuse, Sentence: "no"}
	if w.keyer.refuse == "" {
		var o wirev1.Orders
		w.open(seal.Orders, sealedOrders, &o)
		w.keyer.status.Orders = &wirev1.OrdersNumber{Epoch: o.GetEpoch(), Revision: o.GetRevision()}
	}
	if w.keyer.deaf {
		return
	}
	w.from(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Verdict{Verdict: verdict}})
	w.from(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Status{Status: proto.CloneOf(w.keyer.status)}})
}

func (w *world) keyerLease(sealedLease []byte) {
	var g wirev1.LeaseGrant
	w.open(seal.Lease, sealedLease, &g)
	verdict := &keyerv1.Verdict{Kind: "lease"}
	if len(g.GetTerms()) == 0 {
		verdict.Refusal = "nothing_granted"
	} else {
		w.keyer.left = map[wirev1.Control]time.Duration{}
	}
	for _, term := range g.GetTerms() {
		w.keyer.left[term.GetControl()] = w.now.Boot + time.Duration(term.GetTimeToLiveMs())*time.Millisecond
	}
	w.from(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Verdict{Verdict: verdict}})
	w.keyer.statusAt = 0
	w.readAt = 0 // it says so at once
}

func (w *world) open(purpose seal.Purpose, message []byte, into proto.Message) {
	payload, err := seal.NewKeyring(signer.Public()).Open(purpose, address.Network, address.Beacon, message)
	if err != nil {
		w.t.Fatalf("the keyer was given what it can't trust: %v", err)
	}
	if err := proto.Unmarshal(payload, into); err != nil {
		w.t.Fatalf("the keyer was given what it can't read: %v", err)
	}
}

// envelopeNumber is that of a sealed envelope of the coordinator's.
func envelopeNumber(raw []byte) uint64 {
	payload, err := seal.NewKeyring(signer.Public()).Open(seal.Envelope, address.Network, address.Beacon, raw)
	if err != nil {
		panic(err)
	}
	var e wirev1.Envelope
	if err := proto.Unmarshal(payload, &e); err != nil {
		panic(err)
	}
	return e.GetNumber()
}
