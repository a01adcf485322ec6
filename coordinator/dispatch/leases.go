package dispatch

import (
	"context"
	"errors"
	"time"

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
	decision, err := t.desk.ask(asked)
	if errors.Is(err, errOvertaken) {
		return overtaken
	}
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
	d.options.Log.Warn("a lease is refused", "beacon", address.Beacon, "reason", string(decision.Refusal), "sentence", decision.Sentence)
	return string(decision.Refusal)
}

// decideAll decides on requests of different beacons, one after the other, and
// stores what was decided in one transaction. The book follows each decision at
// once, since the next is made by it; if they can't be stored, it holds that more
// may be obeyed than was ever granted, and never less.
func (t *term) decideAll(ctx context.Context, group []*petition) error {
	t.decide.Lock()
	defer t.decide.Unlock()
	news := map[string]bool{}
	err := t.asLeader(ctx, func(ctx context.Context, tx *store.LeaderTx) error {
		if err := t.learn(ctx, tx, group); err != nil {
			return err
		}
		var leases []store.Lease
		var held []store.Numbered
		for _, p := range group {
			p.decision = t.writer.Book.Decide(p.request, p.known)
			if p.decision.Twice != "" && t.options.Cloned != nil { // first of all: what is stored here, no request tells again
				t.options.Cloned(ctx, p.request.Beacon, p.decision.Twice)
			}
			if !t.writer.Counts(p.request, p.decision) {
				if p.decision.Holder.Rival != p.known.Holder.Rival {
					if err := tx.NoteRival(ctx, toHolder(p.request.Beacon, p.decision.Holder)); err != nil {
						return err
					}
				}
				continue
			}
			if p.known.HeldKnown && !p.request.Held.IsZero() {
				held = append(held, p.held())
			}
			leases = append(leases, t.toStore(p.request, p.decision, p.known))
			if t.writer.Granted(p.request, p.known, p.decision) {
				news[p.request.Beacon] = true
			}
			if t.writer.Stuck(p.request, p.decision) {
				signal(t.unsettled)
			}
		}
		if err := tx.ConfirmOrders(ctx, held...); err != nil {
			return err
		}
		return tx.SaveLeases(ctx, leases...)
	})
	for beacon := range news { // also where it could not be stored: the beacon did say so
		t.confirmed(beacon)
	}
	return err
}

// held names the orders that a beacon says to hold.
func (p *petition) held() store.Numbered {
	return store.Numbered{Beacon: p.request.Beacon, Epoch: int64(p.request.Held.Epoch), Revision: int64(p.request.Held.Revision)}
}

// learn reads by what requests are decided.
func (t *term) learn(ctx context.Context, tx *store.LeaderTx, group []*petition) error {
	var beacons []string
	var held []store.Numbered
	for _, p := range group {
		beacons = append(beacons, p.request.Beacon)
		if !p.request.Held.IsZero() {
			held = append(held, p.held())
		}
	}
	before, err := tx.LeasesOf(ctx, beacons...)
	if err != nil {
		return err
	}
	written, err := tx.KnownOrders(ctx, held...)
	if err != nil {
		return err
	}
	duties := map[string]time.Time{} // until when somebody is in control, by site
	for _, p := range group {
		p.known = lease.Known{Now: tx.Now, HeldKnown: p.request.Held.IsZero() || written[p.held()]}
		if l := before[p.request.Beacon]; l != nil {
			p.known.Holder = fromHolder(l)
		}
		b := t.currentFleet().Beacon(p.request.Beacon)
		if b == nil || !b.Site.DutyRequired {
			continue
		}
		until, read := duties[b.Site.Name]
		if !read {
			period, err := tx.InControl(ctx, b.Site.Name)
			if err != nil {
				return err
			}
			if period.Site != "" {
				until = period.End()
			}
			duties[b.Site.Name] = until
		}
		p.known.Duty = until
	}
	return nil
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
		signal(t.unsettled)
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
