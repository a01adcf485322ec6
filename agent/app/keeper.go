package app

import (
	"context"
	"log/slog"
	"time"
)

// keeper keeps one keyer running: never two, since they would share a
// transmitter. One that was gone is replaced at once, because a new keyer makes
// sure of silence; one that keeps failing is tried less often.
type keeper struct {
	start   func(context.Context) (Keyer, error)
	log     *slog.Logger
	started chan Keyer
	lost    chan struct{} // has room for the one keyer that can be lost
	cancel  context.CancelFunc
	done    chan struct{}
}

const (
	goodKeyer  = time.Minute
	mostKeyers = 30 * time.Second
)

func startKeeper(start func(context.Context) (Keyer, error), log *slog.Logger) *keeper {
	ctx, cancel := context.WithCancel(context.Background())
	k := &keeper{
		start: start, log: log, started: make(chan Keyer), lost: make(chan struct{}, 1),
		cancel: cancel, done: make(chan struct{}),
	}
	go k.run(ctx)
	return k
}

// stop ends the keyer and returns when it is gone.
func (k *keeper) stop() {
	k.cancel()
	<-k.done
}

func (k *keeper) run(ctx context.Context) {
	defer close(k.done)
	for failures := 0; ctx.Err() == nil; failures++ {
		began := time.Now()
		err := k.keep(ctx)
		if ctx.Err() != nil {
			return
		}
		if time.Since(began) >= goodKeyer {
			failures = 0
		}
		k.log.Error("the keyer is gone and is started again", "reason", err)
		select {
		case <-ctx.Done():
		case <-time.After(keeperWait(failures)):
		}
	}
}

// keeperWait is the wait before the next start, none after a first failure.
func keeperWait(failures int) time.Duration {
	if failures == 0 {
		return 0
	}
	return min(time.Second<<min(failures-1, 10), mostKeyers)
}

// keep runs one keyer until it is lost.
func (k *keeper) keep(ctx context.Context) error {
	keyer, err := k.start(ctx)
	if err != nil {
		return err
	}
	select {
	case k.started <- keyer:
		select {
		case <-k.lost:
		case <-ctx.Done():
		}
	case <-ctx.Done():
	}
	return keyer.Close()
}
