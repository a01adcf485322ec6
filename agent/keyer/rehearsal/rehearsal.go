// Package rehearsal sends one transmission into nothing: through a real keyer,
// on this machine's clocks and scheduler, to a simulated transmitter that takes
// the time of every tone. So a person sees what would be on the air and how
// punctual this machine is, before anything is connected.
//
// The keyer obeys only what is signed. A rehearsal signs with a key of its own,
// made for it and forgotten after it, and its keyer has a folder of its own: it
// touches neither the beacon's state nor its transmitter.
package rehearsal

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/keyer"
	"lamplighter/agent/keyer/process"
	"lamplighter/agent/transmitter"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/seal"
)

// Report is what was sent.
type Report struct {
	Transmission *wirev1.Transmission
	Start        time.Time // of the slot
	Tones        []Tone
	Unkeyed      time.Time
}

// Tone is one symbol.
type Tone struct {
	Hz   float64
	At   time.Duration // into the slot, as planned
	Late time.Duration // after that
}

// beat is the time between heartbeats.
const beat = 50 * time.Millisecond

// Run rehearses the next slot of a length that can still be prepared, on a band
// of the envelope; the empty band is the first one. Begins is told when that is.
func Run(ctx context.Context, envelope *wirev1.Envelope, length slot.Length, band string, begins func(time.Time)) (*Report, error) {
	ordered, err := choose(envelope, band)
	if err != nil {
		return nil, err
	}
	signer, err := seal.NewSigner(rand.Reader)
	if err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp("", "lamplighter-rehearsal-")
	if err != nil {
		return nil, err
	}
	defer func() { _ = os.RemoveAll(dir) }() // the system's to clean up, if we can't
	sent := transmitter.NewSimulated(time.Now, nil)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	client := process.InMemory(ctx, process.Options{
		Config: keyer.Config{
			Network: envelope.GetNetwork(), Beacon: envelope.GetBeacon(), Keys: seal.NewKeyring(signer.Public()),
			SimulatedTransmitter: true,
		},
		Dir: dir, Transmitter: func() (transmitter.Driver, error) { return sent, nil },
	})
	s := stage{client: client, signer: signer, envelope: envelope, length: length, ordered: ordered}
	ended, err := s.play(begins)
	if err != nil {
		return nil, errors.Join(err, client.Close())
	}
	if err := client.Close(); err != nil {
		return nil, err
	}
	if ended.GetKind() != wirev1.OutcomeKind_OUTCOME_KIND_SENT {
		return nil, fmt.Errorf("the transmission was not sent whole (%s): %s", ended.GetReason(), keyer.Reason(ended.GetReason()).Sentence())
	}
	return s.report(sent.Sent()[0]), nil
}

// stage is a keyer with the part of agent and coordinator that it needs.
type stage struct {
	client   *process.Client
	signer   *seal.Signer
	envelope *wirev1.Envelope
	length   slot.Length
	ordered  *wirev1.Transmission
}

// play gives the keyer all that it needs, and waits for the end of the slot.
func (s *stage) play(begins func(time.Time)) (*keyerv1.Ended, error) {
	s.ordered.Slot = int64(s.length.At(time.Now().Add(time.Second))) + 1 // a second to prepare
	begins(s.length.Start(slot.Number(s.ordered.GetSlot())))
	if err := s.send(s.given()...); err != nil {
		return nil, err
	}
	ticker := time.NewTicker(beat)
	defer ticker.Stop()
	for {
		select {
		case <-ticker.C:
			if err := s.send(heartbeat()); err != nil {
				return nil, err
			}
		case m, ok := <-s.client.Messages():
			if !ok {
				return nil, errors.Join(errors.New("the keyer is gone"), s.client.Err())
			}
			if ended, err := s.hear(m); ended != nil || err != nil {
				return ended, err
			}
		}
	}
}

func (s *stage) send(all ...*keyerv1.ToKeyer) error {
	for _, m := range all {
		if err := s.client.Send(m); err != nil {
			return err
		}
	}
	return nil
}

// hear answers a nonce with a lease, and that with a permit.
func (s *stage) hear(m *keyerv1.FromKeyer) (*keyerv1.Ended, error) {
	switch {
	case m.GetEnded() != nil:
		return m.GetEnded(), nil
	case m.GetNonce() != nil:
		return nil, s.send(heartbeat(), s.lease(m.GetNonce()))
	case m.GetVerdict().GetRefusal() != "":
		return nil, fmt.Errorf("the keyer refuses the %s: %s", m.GetVerdict().GetKind(), m.GetVerdict().GetSentence())
	case m.GetVerdict().GetKind() == "lease":
		return nil, s.send(heartbeat(), &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Permit{Permit: &keyerv1.Permit{
			Slot: s.ordered.GetSlot(), Orders: &wirev1.OrdersNumber{Epoch: 1, Revision: 1},
		}}})
	}
	return nil, nil
}

// given is what the keyer is given first.
func (s *stage) given() []*keyerv1.ToKeyer {
	envelope := proto.CloneOf(s.envelope)
	envelope.SlotSeconds = uint32(s.length)
	for _, band := range envelope.GetBands() {
		band.Control = wirev1.Control_CONTROL_AUTOMATIC // into nothing, nobody need be there
	}
	orders := &wirev1.Orders{
		LeastReader: keyer.Reader, Network: s.envelope.GetNetwork(), Beacon: s.envelope.GetBeacon(), Epoch: 1, Revision: 1,
		SlotSeconds: uint32(s.length), FromSlot: s.ordered.GetSlot(), ToSlot: s.ordered.GetSlot() + 1,
		Transmissions: []*wirev1.Transmission{s.ordered},
	}
	return []*keyerv1.ToKeyer{
		heartbeat(),
		{Body: &keyerv1.ToKeyer_Envelope{Envelope: s.sealed(seal.Envelope, envelope)}},
		{Body: &keyerv1.ToKeyer_Orders{Orders: s.sealed(seal.Orders, orders)}},
		{Body: &keyerv1.ToKeyer_NonceRequest{NonceRequest: &keyerv1.NonceRequest{}}},
	}
}

func (s *stage) lease(n *keyerv1.Nonce) *keyerv1.ToKeyer {
	return &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Lease{Lease: s.sealed(seal.Lease, &wirev1.LeaseGrant{
		LeastReader: keyer.Reader, Network: s.envelope.GetNetwork(), Beacon: s.envelope.GetBeacon(),
		Nonce: n.GetNonce(), BootId: n.GetBootId(), Epoch: 1,
		Terms: []*wirev1.LeaseTerm{{Control: wirev1.Control_CONTROL_AUTOMATIC, TimeToLiveMs: time.Hour.Milliseconds()}},
	})}}
}

func (s *stage) sealed(purpose seal.Purpose, m proto.Message) []byte {
	payload, err := proto.Marshal(m)
	if err != nil {
		panic(err) // text that is not UTF-8, which a signed envelope does not hold
	}
	return s.signer.Seal(purpose, s.envelope.GetNetwork(), s.envelope.GetBeacon(), payload)
}

// heartbeat claims a clock and a frequency without fault: into nothing, neither
// matters.
func heartbeat() *keyerv1.ToKeyer {
	return &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Heartbeat{Heartbeat: &keyerv1.Heartbeat{
		ClockErrorBoundNs: proto.Int64(0), FrequencyUncertaintyPpb: proto.Float64(0),
	}}}
}

func (s *stage) report(sent transmitter.Transmission) *Report {
	r := &Report{Transmission: s.ordered, Start: s.length.Start(slot.Number(s.ordered.GetSlot())), Unkeyed: sent.Unkeyed}
	for i, edge := range sent.Tones {
		planned := s.length.Timing().SymbolStart(i)
		r.Tones = append(r.Tones, Tone{Hz: edge.Hz, At: planned, Late: edge.At.Round(0).Sub(r.Start) - planned})
	}
	return r
}
