package api

import (
	"context"
	"time"

	"lamplighter/coordinator/fault"
)

// possibleWithin is how long a call waits for what is about to be possible, such
// as for an election to be over: whoever calls for silence should not have to
// call twice.
const possibleWithin = 5 * time.Second

// oncePossible does something again until it is no longer unavailable.
func oncePossible[T any](ctx context.Context, do func() (T, error)) (T, error) {
	again := time.NewTicker(lookAgain)
	defer again.Stop()
	end := time.NewTimer(possibleWithin)
	defer end.Stop()
	for {
		done, err := do()
		if err == nil || fault.Of(err) != fault.Unavailable {
			return done, err
		}
		select {
		case <-ctx.Done():
			return done, ctx.Err()
		case <-end.C:
			return done, err
		case <-again.C:
		}
	}
}
