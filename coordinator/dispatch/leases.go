package dispatch

import (
	"context"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/orders"
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
	asked, address, err := orders.ReadRequest(delivery.Topic, delivery.Payload)
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
	// Whoever has lost the lead gives no more leases, and waits for nothing that
	// was under way: others wait for the book.
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(t.board.ctx, cancel)()
	decision, err := t.grant(ctx, asked)
	if err != nil {
		d.options.Log.Error("a lease could not be stored and is not given", "beacon", address.Beacon, "error", err)
		return failed
	}
	if err := t.sendGrant(ctx, address, asked, decision); err != nil {
		d.options.Log.Warn("the answer to a request for a lease could not be sent", "beacon", address.Beacon, "error", err)
	}
	if decision.Refusal == "" {
		if asked.GetHush().GetEpoch() == 0 {
			if err := t.tellUnhushed(ctx, address.Beacon); err != nil {
				d.options.Log.Warn("a beacon could not be told that nothing is hushed; it will be when it asks again", "beacon", address.Beacon, "error", err)
			}
		}
		return granted
	}
	d.options.Log.Warn("a lease is refused", "beacon", address.Beacon, "reason", string(decision.Refusal), "sentence", decision.Sentence)
	return string(decision.Refusal)
}

// grant decides on a request and stores the decision.
func (t *term) grant(ctx context.Context, asked *wirev1.LeaseRequest) (lease.Decision, error) {
	request := orders.Asked(asked)
	t.decide.Lock()
	defer t.decide.Unlock()
	var decision lease.Decision
	known := lease.Known{}
	err := t.asLeader(ctx, func(ctx context.Context, tx *store.LeaderTx) (err error) {
		if known, err = t.known(ctx, tx, request); err != nil {
			return err
		}
		decision = t.writer.Book.Decide(request, known)
		if decision.Twice != "" && t.options.Cloned != nil { // first of all: what is stored here, no request tells again
			t.options.Cloned(ctx, request.Beacon, decision.Twice)
		}
		if !t.writer.Counts(request, decision) {
			if decision.Holder.Rival == known.Holder.Rival {
				return nil
			}
			return tx.NoteRival(ctx, toHolder(request.Beacon, decision.Holder))
		}
		if known.HeldKnown && !request.Held.IsZero() {
			if err := tx.ConfirmOrders(ctx, request.Beacon, int64(request.Held.Epoch), int64(request.Held.Revision)); err != nil {
				return err
			}
		}
		return tx.SaveLease(ctx, t.toStore(request, decision, known))
	})
	if err == nil && t.writer.Granted(request, known, decision) {
		t.confirmed(request.Beacon)
	}
	return decision, err
}

// known is what a request is decided by.
func (t *term) known(ctx context.Context, tx *store.LeaderTx, r lease.Request) (lease.Known, error) {
	known := lease.Known{Now: tx.Now, HeldKnown: r.Held.IsZero()}
	before, err := tx.Lease(ctx, r.Beacon)
	if err != nil {
		return known, err
	}
	if before != nil {
		known.Holder = fromHolder(before)
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
		held = t.writer.Book.Held(r.Beacon)
	}
	l := toHolder(r.Beacon, d.Holder)
	l.HeldEpoch, l.HeldRevision = int64(held.Epoch), int64(held.Revision)
	if d.Refusal == "" {
		l.GrantedAt, l.ExpiresAt = &known.Now, &d.Until
	}
	if f := d.Former; !f.Until.IsZero() {
		l.FormerHeldEpoch, l.FormerHeldRevision, l.FormerUntil = int64(f.Held.Epoch), int64(f.Held.Revision), &f.Until
	}
	return l
}

func toHolder(beacon string, h lease.Holder) store.Lease {
	l := store.Lease{Beacon: beacon, Run: h.Run, BootID: h.BootID, HeardAt: h.Heard}
	if h.FormerRun != "" {
		l.FormerRun = &h.FormerRun
	}
	if h.Rival != "" {
		l.RivalBootID, l.RivalAt = &h.Rival, &h.RivalAt
	}
	return l
}

func fromHolder(l *store.Lease) lease.Holder {
	h := lease.Holder{Run: l.Run, BootID: l.BootID, Heard: l.HeardAt}
	if l.FormerRun != nil {
		h.FormerRun = *l.FormerRun
	}
	if l.RivalBootID != nil && l.RivalAt != nil {
		h.Rival, h.RivalAt = *l.RivalBootID, *l.RivalAt
	}
	return h
}

// confirmed follows from a beacon holding other orders than before: what waited
// for it may be free, and if the plan was made around it, a better one may be
// made. Call it with decide held.
func (t *term) confirmed(beacon string) {
	if len(t.withheld) > 0 {
		signal(t.released)
	}
	if t.around[beacon] && t.writer.Book.Held(beacon) == t.writer.Book.Latest(beacon) {
		delete(t.around, beacon)
		signal(t.freed)
	}
}

// sendGrant sends the answer. It is stored before.
func (t *term) sendGrant(ctx context.Context, address topic.Address, asked *wirev1.LeaseRequest, d lease.Decision) error {
	payload, err := orders.Answer(t.epoch, asked, d)
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
