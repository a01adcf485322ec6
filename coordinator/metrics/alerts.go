package metrics

import (
	"context"
	"log/slog"

	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/store"
)

var alertsOpen = prometheus.NewDesc("lamplighter_alerts_open",
	"Alerts of the coordinator that stand open and that no other one explains, by condition and severity.", []string{"condition", "severity"}, nil)

// Alerts collects how many alerts stand open, of every declared condition.
type Alerts struct {
	store *store.Store
	leads func() bool
	log   *slog.Logger
	ctx   context.Context //nolint:containedctx // a scrape brings none; this one ends with the coordinator
}

// NewAlerts makes the collector. It reads until ctx ends, and only while leads
// says that this coordinator leads.
func NewAlerts(ctx context.Context, s *store.Store, leads func() bool, log *slog.Logger) *Alerts {
	return &Alerts{s, leads, log, ctx}
}

// Describe names the metric.
func (a *Alerts) Describe(descriptions chan<- *prometheus.Desc) { descriptions <- alertsOpen }

// Collect counts.
func (a *Alerts) Collect(samples chan<- prometheus.Metric) {
	if !a.leads() {
		return
	}
	ctx, cancel := context.WithTimeout(a.ctx, readWithin)
	defer cancel()
	open, err := a.store.CountOpenAlerts(ctx)
	if err != nil {
		a.log.Warn("the open alerts could not be counted", "error", err)
		samples <- prometheus.NewInvalidMetric(alertsOpen, err)
		return
	}
	for _, c := range alert.Conditions() {
		samples <- prometheus.MustNewConstMetric(alertsOpen, prometheus.GaugeValue, float64(open[c.Code]), string(c.Code), string(c.Severity))
	}
}
