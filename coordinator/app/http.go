package app

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// How long a page for machines may take, and a client to ask for one.
const (
	askWithin    = 5 * time.Second
	answerWithin = 30 * time.Second
)

// pages are what other machines look at, /metrics, /healthz and /readyz, and
// what is mounted on mux beside them.
type pages struct {
	server *http.Server
	mux    *http.ServeMux
}

func newPages(registry *prometheus.Registry, ready func(context.Context) error) *pages {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(registry, promhttp.HandlerOpts{
		Registry: registry, MaxRequestsInFlight: 4, Timeout: answerWithin,
		ErrorHandling: promhttp.ContinueOnError, // without the database there are still those of this process
	}))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { say(w, nil) })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, r *http.Request) {
		ctx, cancel := context.WithTimeout(r.Context(), askWithin)
		defer cancel()
		say(w, ready(ctx))
	})
	return &pages{mux: mux, server: &http.Server{
		Handler: mux, ReadHeaderTimeout: askWithin, ReadTimeout: askWithin, WriteTimeout: answerWithin + askWithin,
		IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10,
	}}
}

// say answers "ok", or why not.
func say(w http.ResponseWriter, why error) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	if why != nil {
		w.WriteHeader(http.StatusServiceUnavailable)
		fmt.Fprintln(w, why) //nolint:errcheck // the asker is gone
		return
	}
	fmt.Fprintln(w, "ok") //nolint:errcheck // the asker is gone
}

func (p *pages) serve(listener net.Listener) error {
	if err := p.server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// stop lets the answers under way come to an end, for a second at most.
func (p *pages) stop() {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if p.server.Shutdown(ctx) != nil {
		_ = p.server.Close()
	}
}
