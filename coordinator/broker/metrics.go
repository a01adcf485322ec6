package broker

import (
	"context"
	"errors"
	"log/slog"
	"sync/atomic"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/prometheus/client_golang/prometheus"
)

func newRefusals() *prometheus.CounterVec {
	vec := prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "lamplighter_broker_refusals_total",
		Help: "What the embedded broker turned away, by reason.",
	}, []string{"reason"})
	for _, reason := range refusals() {
		vec.WithLabelValues(string(reason))
	}
	return vec
}

func registerEmbedded(registry prometheus.Registerer, server *mqtt.Server, refusals *prometheus.CounterVec) error {
	load := func(value *int64) func() float64 {
		return func() float64 { return float64(atomic.LoadInt64(value)) }
	}
	return registerAll(registry, refusals,
		prometheus.NewCounterFunc(prometheus.CounterOpts{
			Name: "lamplighter_broker_inflight_dropped_total",
			Help: "Messages not sent because a client left too many unacknowledged.",
		}, load(&server.Info.InflightDropped)),
		prometheus.NewCounterFunc(prometheus.CounterOpts{
			Name: "lamplighter_broker_messages_dropped_total",
			Help: "Messages not sent because too many waited to be written to a client.",
		}, load(&server.Info.MessagesDropped)),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "lamplighter_broker_clients",
			Help: "Agents that are connected to the embedded broker.",
		}, load(&server.Info.ClientsConnected)))
}

func registerAll(registry prometheus.Registerer, collectors ...prometheus.Collector) error {
	var errs []error
	for _, collector := range collectors {
		errs = append(errs, registry.Register(collector))
	}
	return errors.Join(errs...)
}

// errorsOnly keeps the library's own log down to its errors: what it warns of
// are clients that come and go.
type errorsOnly struct{ slog.Handler }

func (h errorsOnly) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= slog.LevelError && h.Handler.Enabled(ctx, level)
}

func (h errorsOnly) WithAttrs(attrs []slog.Attr) slog.Handler {
	return errorsOnly{h.Handler.WithAttrs(attrs)}
}

func (h errorsOnly) WithGroup(name string) slog.Handler { return errorsOnly{h.Handler.WithGroup(name)} }
