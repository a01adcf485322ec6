package app

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"

	"lamplighter/coordinator/broker"
	"lamplighter/proto/topic"
)

func delivery(kind topic.Kind) broker.Delivery {
	return broker.Delivery{Topic: topic.Address{Network: "tern", Beacon: "hilltop-hf"}.Topic(kind)}
}

func TestEachKindGoesToWhoDealsWithIt(t *testing.T) {
	var kept, leases, heard, others []string
	r := router{
		kept:   func(d broker.Delivery) { kept = append(kept, d.Topic) },
		leases: func(_ context.Context, d broker.Delivery) { leases = append(leases, d.Topic) },
		heard:  func(_ context.Context, d broker.Delivery) { heard = append(heard, d.Topic) },
		others: func(_ context.Context, d broker.Delivery) error { others = append(others, d.Topic); return nil },
	}
	deliveries := make(chan broker.Delivery, 8)
	for _, kind := range []topic.Kind{topic.Orders, topic.Hush, topic.Records, topic.LeaseRequest, topic.Health, topic.Presence, topic.Receptions} {
		deliveries <- delivery(kind)
	}
	deliveries <- broker.Delivery{Topic: "nobody/says/this"}
	close(deliveries)
	if err := r.run(t.Context(), deliveries); err != nil {
		t.Fatal(err)
	}
	if len(kept) != 2 || len(leases) != 1 || len(heard) != 1 || len(others) != 4 || others[3] != "nobody/says/this" {
		t.Errorf("kept %q, leases %q, receptions %q, others %q", kept, leases, heard, others)
	}
}

func TestRoutingEndsWithItsContextAndWaitsForAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		answered, ended := false, false
		r := router{leases: func(ctx context.Context, _ broker.Delivery) { <-ctx.Done(); answered = true }}
		deliveries := make(chan broker.Delivery)
		go func() {
			if err := r.run(ctx, deliveries); !errors.Is(err, context.Canceled) || !answered {
				t.Errorf("%v, and the request under way was answered: %v", err, answered)
			}
			ended = true
		}()
		deliveries <- delivery(topic.LeaseRequest)
		synctest.Wait()
		cancel()
		synctest.Wait()
		if !ended {
			t.Error("it goes on")
		}
	})
}

func TestRoutingEndsWithTheIntake(t *testing.T) {
	gone := errors.New("gone")
	r := router{others: func(context.Context, broker.Delivery) error { return gone }}
	deliveries := make(chan broker.Delivery, 1)
	deliveries <- delivery(topic.Health)
	if err := r.run(t.Context(), deliveries); !errors.Is(err, gone) {
		t.Errorf("%v", err)
	}
}
