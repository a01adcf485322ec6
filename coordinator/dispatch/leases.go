package dispatch

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/store"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// HandleLeaseRequest answers a message of the kind topic.LeaseRequest and calls
// its Done. Where this coordinator does not lead, it leaves the answer to the
// one that does.
func (d *Dispatcher) HandleLeaseRequest(ctx context.Context, delivery broker.Delivery) {
	defer delivery.Done()
	result := d.answerLease(ctx, delivery)
	d.metrics.requests.WithLabelValues(result).Inc()
}

func (d *Dispatcher) answerLease(ctx context.Context, delivery broker.Delivery) (result string) {
	asked, address, err := readRequest(delivery.Topic, delivery.Payload)
	if err != nil {
		d.options.Log.Warn("a request for a lease is dropped", "error", err)
		return garbled
	}
	t := d.leading()
	if t == nil {
		return string(lease.NotLeader)
	}
	if address.Network != t.currentFleet().Network.ID {
		d.options.Log.Warn("a request for a lease is dropped: it is of another network", "network", address.Network, "beacon", address.Beacon)
		return garbled
	}
	decision, err := t.grant(ctx, asked)
	if err != nil {
		d.options.Log.Error("a lease could not be stored and is not given", "beacon", address.Beacon, "error", err)
		return failed
	}
	if err := t.sendGrant(ctx, address, asked, decision); err != nil {
		d.options.Log.Warn("the answer to a request for a lease could not be sent", "beacon", address.Beacon, "error", err)
	}
	if decision.Refusal == "" {
		return granted
	}
	if decision.Refusal == lease.ClonedIdentity && d.options.Cloned != nil {
		d.options.Cloned(ctx, address.Beacon, decision.Sentence)
	}
	d.options.Log.Warn("a lease is refused", "beacon", address.Beacon, "reason", string(decision.Refusal), "sentence", decision.Sentence)
	return string(decision.Refusal)
}

// Bounds of a request.
const (
	maxRequestBytes = 1 << 10
	nonceBytes      = 16
	maxBootID       = 64
	runDigits       = 32
)

// readRequest reads a request and checks that it speaks for whom its topic
// names.
func readRequest(name string, payload []byte) (*wirev1.LeaseRequest, topic.Address, error) {
	address, kind, err := topic.Parse(name)
	if err != nil {
		return nil, address, err
	}
	if kind != topic.LeaseRequest {
		return nil, address, fmt.Errorf("it came on %s", name)
	}
	if len(payload) > maxRequestBytes {
		return nil, address, fmt.Errorf("from %s: %d bytes, and a request has at most %d", address.Beacon, len(payload), maxRequestBytes)
	}
	var r wirev1.LeaseRequest
	if err := proto.Unmarshal(payload, &r); err != nil {
		return nil, address, fmt.Errorf("from %s: %d bytes that are no request", address.Beacon, len(payload))
	}
	if err := checkRequest(&r, address); err != nil {
		return nil, address, fmt.Errorf("from %s: %w", address.Beacon, err)
	}
	return &r, address, nil
}

func checkRequest(r *wirev1.LeaseRequest, address topic.Address) error {
	const most = 1<<63 - 1 // what the database can hold
	switch {
	case r.GetNetwork() != address.Network || r.GetBeacon() != address.Beacon:
		return fmt.Errorf("it speaks for %.64q in network %.64q", r.GetBeacon(), r.GetNetwork())
	case len(r.GetNonce()) != nonceBytes:
		return fmt.Errorf("its nonce has %d bytes, not %d", len(r.GetNonce()), nonceBytes)
	case r.GetBootId() == "" || len(r.GetBootId()) > maxBootID || !printable(r.GetBootId()):
		return fmt.Errorf("its boot id is not 1 to %d plain characters", maxBootID)
	case !isRun(r.GetRun()):
		return fmt.Errorf("its run is not %d hexadecimal digits", runDigits)
	case r.GetConfirmed().GetEpoch() > most || r.GetConfirmed().GetRevision() > most:
		return fmt.Errorf("the number of its orders is out of range")
	}
	return nil
}

func printable(text string) bool {
	for i := range len(text) {
		if text[i] < ' ' || text[i] > '~' {
			return false
		}
	}
	return true
}

func isRun(text string) bool {
	for i := range len(text) {
		if c := text[i]; (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return len(text) == runDigits
}

// grant decides on a request and stores the decision.
func (t *term) grant(ctx context.Context, asked *wirev1.LeaseRequest) (lease.Decision, error) {
	request := lease.Request{
		Beacon: asked.GetBeacon(), Run: asked.GetRun(), BootID: asked.GetBootId(), Reader: asked.GetReader(),
		Held: lease.Number{Epoch: asked.GetConfirmed().GetEpoch(), Revision: asked.GetConfirmed().GetRevision()},
	}
	t.decide.Lock()
	defer t.decide.Unlock()
	var decision lease.Decision
	known := lease.Known{}
	err := t.asLeader(ctx, func(ctx context.Context, tx *store.LeaderTx) (err error) {
		if known, err = t.known(ctx, tx, request); err != nil {
			return err
		}
		decision = t.book.Decide(request, known)
		if !t.counts(request, decision) {
			return nil
		}
		if known.HeldKnown && !request.Held.IsZero() {
			if err := tx.ConfirmOrders(ctx, request.Beacon, int64(request.Held.Epoch), int64(request.Held.Revision)); err != nil {
				return err
			}
		}
		return tx.SaveLease(ctx, t.toStore(request, decision, known))
	})
	if err != nil || !t.counts(request, decision) {
		return decision, err
	}
	if known.HeldKnown && t.book.Hold(request.Beacon, request.Held) {
		t.confirmed(request.Beacon)
	}
	if decision.Refusal == "" {
		t.book.Extend(request.Beacon, decision.Until)
	}
	return decision, nil
}

// counts says whether what a request says is kept: not what a second device
// says, nor a beacon that nobody here knows.
func (t *term) counts(r lease.Request, d lease.Decision) bool {
	return d.Refusal != lease.ClonedIdentity && (d.Refusal != lease.UnknownBeacon || !t.book.Latest(r.Beacon).IsZero())
}

// known is what a request is decided by.
func (t *term) known(ctx context.Context, tx *store.LeaderTx, r lease.Request) (lease.Known, error) {
	known := lease.Known{Now: tx.Now, HeldKnown: r.Held.IsZero()}
	before, err := tx.Lease(ctx, r.Beacon)
	if err != nil {
		return known, err
	}
	if before != nil {
		known.Holder = lease.Holder{Run: before.Run, BootID: before.BootID, Heard: before.HeardAt}
		if before.FormerRun != nil {
			known.Holder.FormerRun = *before.FormerRun
		}
	}
	if b := t.currentFleet().Beacon(r.Beacon); b != nil && b.Site.DutyRequired {
		period, err := tx.InControl(ctx, b.Site.Name)
		if err != nil {
			return known, err
		}
		if period.Site != "" {
			known.Duty = period.End()
		}
	}
	if !known.HeldKnown {
		known.HeldKnown, err = tx.KnowsOrders(ctx, r.Beacon, int64(r.Held.Epoch), int64(r.Held.Revision))
	}
	return known, err
}

func (t *term) toStore(r lease.Request, d lease.Decision, known lease.Known) store.Lease {
	held := r.Held
	if !known.HeldKnown {
		held = t.book.Held(r.Beacon)
	}
	l := store.Lease{
		Beacon: r.Beacon, Run: d.Holder.Run, BootID: d.Holder.BootID, HeardAt: d.Holder.Heard,
		HeldEpoch: int64(held.Epoch), HeldRevision: int64(held.Revision),
	}
	if d.Holder.FormerRun != "" {
		l.FormerRun = &d.Holder.FormerRun
	}
	if d.Refusal == "" {
		l.GrantedAt, l.ExpiresAt = &known.Now, &d.Until
	}
	return l
}

// confirmed follows from a beacon holding other orders than before: what waited
// for it may be free, and if the plan was made around it, a better one may be
// made. Call it with decide held.
func (t *term) confirmed(beacon string) {
	if len(t.withheld) > 0 {
		signal(t.released)
	}
	if t.around[beacon] && t.book.Held(beacon) == t.book.Latest(beacon) {
		delete(t.around, beacon)
		signal(t.freed)
	}
}

// sendGrant sends the answer. It is stored before.
func (t *term) sendGrant(ctx context.Context, address topic.Address, asked *wirev1.LeaseRequest, d lease.Decision) error {
	answer := &wirev1.LeaseGrant{
		LeastReader: lease.Format, Network: address.Network, Beacon: address.Beacon,
		Nonce: asked.GetNonce(), BootId: asked.GetBootId(), Epoch: t.epoch, Confirmed: asked.GetConfirmed(),
	}
	if d.Refusal != "" {
		answer.Refusal = d.Sentence
	}
	for _, term := range d.Terms {
		answer.Terms = append(answer.Terms, &wirev1.LeaseTerm{Control: wireControl(term.Control), TimeToLiveMs: term.Length.Milliseconds()})
	}
	payload, err := proto.Marshal(answer)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, publishTimeout)
	defer cancel()
	return t.options.Publisher.Publish(ctx, broker.Message{
		Topic:   address.Topic(topic.Lease),
		Payload: t.options.Signer.Seal(seal.Lease, address.Network, address.Beacon, payload),
	})
}
