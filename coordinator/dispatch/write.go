package dispatch

import (
	"context"
	"time"

	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/orders"
	"lamplighter/coordinator/store"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// writeOrders writes the orders that the plan in force and the book allow now:
// for each beacon whose orders differ or reach further. It stores them in one
// transaction and then publishes them. wait is how long until a lease that
// something waits for is over; 0: nothing waits.
func (t *term) writeOrders(ctx context.Context) (wait time.Duration, err error) {
	t.decide.Lock()
	defer t.decide.Unlock()
	if t.writer.Plan == nil {
		return 0, nil
	}
	var round []orders.Orders
	var withheld []lease.Withheld
	var sealed [][]byte
	var now time.Time
	err = t.asLeader(ctx, func(ctx context.Context, tx *store.LeaderTx) error {
		now = tx.Now
		if round, withheld, err = t.writer.Decide(now); err != nil {
			return err
		}
		stored := make([]store.Orders, len(round))
		for i, o := range round {
			stored[i] = toStore(o)
		}
		sealing := make(chan [][]byte, 1)
		go func() { sealing <- t.sealOrders(stored) }() // meanwhile: of thousands it takes long
		err := tx.SaveOrders(ctx, stored...)
		sealed = <-sealing
		return err
	})
	if err != nil {
		return 0, err
	}
	t.writer.Stored(round, now)
	for i, o := range round {
		t.showSealed(topic.Orders, o.Beacon, o.Number, sealed[i])
	}
	t.withheld = withheld
	t.metrics.orders.Add(float64(len(round)))
	t.metrics.withheld.Set(float64(len(withheld)))
	if len(round) > 0 {
		t.log.Info("orders are written", "beacons", len(round), "withheld", len(withheld))
	}
	return t.writer.UntilFree(withheld, now), nil
}

// sealOrders seals orders, in their order.
func (t *term) sealOrders(all []store.Orders) [][]byte {
	sealed := make([][]byte, len(all))
	onAllProcessors(len(all), func(i int) { sealed[i] = t.seal(seal.Orders, all[i].Beacon, all[i].Payload) })
	return sealed
}

// toStore is how orders are stored.
func toStore(o orders.Orders) store.Orders {
	rows := make([]store.OrderedSlot, len(o.Slots))
	for i, s := range o.Slots {
		rows[i] = store.OrderedSlot{
			Slot: int64(s.Slot), StartAt: s.Start, Band: s.Band, FrequencyMillihertz: s.FrequencyMillihertz,
			UncertaintyMillihertz: s.UncertaintyMillihertz, MessageKind: string(s.Kind), Control: string(s.Control),
		}
	}
	return store.Orders{
		Beacon: o.Beacon, Epoch: int64(o.Number.Epoch), Revision: int64(o.Number.Revision),
		FromSlot: int64(o.From), ToSlot: int64(o.To), Payload: o.Payload, Slots: rows,
	}
}
