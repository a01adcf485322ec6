package dispatch

import (
	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/lease"
)

// Results of a lease request besides the reasons of package lease.
const (
	granted   = "granted"
	garbled   = "garbled"   // it could not be read, or spoke for somebody else
	failed    = "failed"    // the answer could not be stored
	overtaken = "overtaken" // its asker has asked again meanwhile
)

// figures are the metrics of dispatch.
type figures struct {
	orders   prometheus.Counter
	requests *prometheus.CounterVec
	withheld prometheus.Gauge
	planning prometheus.Histogram
	failures prometheus.Counter
}

func newFigures(registry prometheus.Registerer) *figures {
	f := &figures{
		orders: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "lamplighter_orders_written_total",
			Help: "Orders that were written, one for each beacon and revision.",
		}),
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "lamplighter_lease_requests_total",
			Help: "Requests for a lease, by what came of them.",
		}, []string{"result"}),
		withheld: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "lamplighter_slots_withheld",
			Help: "Planned transmissions that wait because another beacon may still obey earlier orders.",
		}),
		planning: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name:    "lamplighter_planner_seconds",
			Help:    "How long the planner took.",
			Buckets: []float64{0.01, 0.03, 0.1, 0.3, 1, 3, 10, 30, 100, 300},
		}),
		failures: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "lamplighter_planner_failures_total",
			Help: "How often no plan came of planning.",
		}),
	}
	for _, result := range []string{
		granted, garbled, failed, overtaken, string(lease.NotLeader), string(lease.UnknownBeacon), string(lease.UpdateNeeded),
		string(lease.ClonedIdentity), string(lease.OtherKernel), string(lease.UnknownOrders), string(lease.NoControlOperator),
	} {
		f.requests.WithLabelValues(result)
	}
	registry.MustRegister(f.orders, f.requests, f.withheld, f.planning, f.failures)
	return f
}
