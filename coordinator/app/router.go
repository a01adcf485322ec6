package app

import (
	"context"
	"sync"

	"lamplighter/coordinator/broker"
	"lamplighter/proto/topic"
)

// leasesAtOnce bounds how many lease requests are answered at the same time.
const leasesAtOnce = 16

// handler deals with a delivery and calls its Done.
type handler func(ctx context.Context, delivery broker.Delivery)

// router brings what agents say to who deals with it, by the kind of its topic:
// lease requests to dispatch, everything else to the intake. Lease requests
// don't wait for records, nor for each other.
type router struct {
	leases, others handler
}

// run routes until deliveries are closed or ctx ends, and returns when all that
// it began is done.
func (r *router) run(ctx context.Context, deliveries <-chan broker.Delivery) error {
	var answering sync.WaitGroup
	defer answering.Wait()
	free := make(chan struct{}, leasesAtOnce)
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case delivery, open := <-deliveries:
			if !open {
				return nil
			}
			_, kind, err := topic.Parse(delivery.Topic)
			if err == nil && kind == topic.LeaseRequest {
				select {
				case free <- struct{}{}:
				case <-ctx.Done():
					return ctx.Err()
				}
				answering.Go(func() {
					defer func() { <-free }()
					r.leases(ctx, delivery)
				})
				continue
			}
			r.others(ctx, delivery) // what can't be read is refused, logged and counted there
		}
	}
}
