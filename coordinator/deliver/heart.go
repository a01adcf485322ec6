package deliver

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"time"
)

// heartWithin is how long the receiver of a heartbeat may take.
const heartWithin = 10 * time.Second

// Heart tells somebody outside, again and again, that the leader lives and looks
// for what is wrong. Whoever does not hear it any more raises the alert that the
// coordinator itself no longer can.
type Heart struct {
	settings *Heartbeat // nil: nobody outside is told
	log      *slog.Logger
	http     *http.Client
	last     time.Time
	busy     chan struct{}
}

// NewHeart makes a Heart.
func NewHeart(settings *Heartbeat, log *slog.Logger) *Heart {
	return &Heart{settings: settings, log: log, http: newHTTP(heartWithin), busy: make(chan struct{}, 1)}
}

// Beat is called after each look that went well. It tells the receiver when that
// is due, and waits for nobody. Call it from one goroutine.
func (h *Heart) Beat(ctx context.Context) {
	if h.settings == nil || time.Since(h.last) < h.every() {
		return
	}
	select {
	case h.busy <- struct{}{}:
	default: // the one before is still under way
		return
	}
	h.last = time.Now()
	go func() {
		defer func() { <-h.busy }()
		if err := h.tell(ctx); err != nil && ctx.Err() == nil {
			h.log.Warn("the receiver of the heartbeat was not told", "error", err)
		}
	}()
}

func (h *Heart) every() time.Duration {
	if h.settings.EverySeconds == 0 {
		return time.Minute
	}
	return time.Duration(h.settings.EverySeconds) * time.Second
}

func (h *Heart) tell(ctx context.Context) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, h.settings.URL, http.NoBody)
	if err != nil {
		return err
	}
	answer, err := h.http.Do(request)
	if err != nil {
		return err
	}
	_, _ = io.Copy(io.Discard, io.LimitReader(answer.Body, 1<<16))
	return answer.Body.Close()
}
