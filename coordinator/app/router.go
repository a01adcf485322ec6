package app

import (
	"context"

	"golang.org/x/sync/errgroup"

	"lamplighter/coordinator/broker"
	"lamplighter/proto/topic"
)

// leasesAtOnce bounds how many lease requests wait for an answer at the same
// time: as many as there may be agents, so that what others say does not wait when
// all of them ask at once while orders are written. They are decided on together.
const leasesAtOnce = 1 << 14

// filesAtOnce bounds how many files of receptions are taken in at the same time.
const filesAtOnce = 16

// router brings what is said to who deals with it, by the kind of its topic:
// lease requests to dispatch, and what coordinators told the broker to keep;
// everything else to the intake, which refuses, logs and counts what can't be
// read. Lease requests don't wait for records, nor for each other.
type router struct {
	kept   func(broker.Delivery)
	leases func(context.Context, broker.Delivery)
	heard  func(context.Context, broker.Delivery)
	others func(context.Context, broker.Delivery) error
}

// run routes until deliveries are closed or ctx ends, and returns when all that
// it began is done.
func (r *router) run(ctx context.Context, deliveries <-chan broker.Delivery) error {
	var answering errgroup.Group
	answering.SetLimit(leasesAtOnce)
	defer answering.Wait() //nolint:errcheck // no answer is an error
	var hearing errgroup.Group
	hearing.SetLimit(filesAtOnce)
	defer hearing.Wait() //nolint:errcheck // as above
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case delivery, open := <-deliveries:
			if !open {
				return nil
			}
			switch _, kind, _ := topic.Parse(delivery.Topic); kind {
			case topic.LeaseRequest:
				answering.Go(func() error { r.leases(ctx, delivery); return nil })
			case topic.Orders, topic.Hush:
				r.kept(delivery)
			case topic.Receptions:
				if !hearing.TryGo(func() error { r.heard(ctx, delivery); return nil }) {
					delivery.Done() // a receiver that waits for its answers never comes to this
				}
			default:
				if err := r.others(ctx, delivery); err != nil { // it takes nothing any more
					return err
				}
			}
		}
	}
}
