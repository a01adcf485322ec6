package intake

import (
	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/store"
)

type metrics struct {
	refused, records, live, receipts *prometheus.CounterVec
	opaque, failures                 prometheus.Counter
	lag, storing, group              prometheus.Histogram
}

func newMetrics(registry prometheus.Registerer) *metrics {
	counter := func(name, help string, labels ...string) *prometheus.CounterVec {
		return prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "lamplighter", Subsystem: "intake", Name: name, Help: help}, labels)
	}
	histogram := func(name, help string, buckets []float64) prometheus.Histogram {
		return prometheus.NewHistogram(prometheus.HistogramOpts{Namespace: "lamplighter", Subsystem: "intake", Name: name, Help: help, Buckets: buckets})
	}
	m := &metrics{
		refused:  counter("refused_total", "Messages, and records in batches, that were refused, by reason.", "reason"),
		records:  counter("records_total", "Records that were stored, known already, or kept aside because another has their key.", "fate"),
		live:     counter("live_messages_total", "Live health and presence messages, by what they did to the status of their beacon.", "kind", "verdict"),
		receipts: counter("receipts_total", "Receipts for stored records, by whether the broker took them.", "result"),
		lag:      histogram("lag_seconds", "Time from the arrival of a message until it was stored and answered.", prometheus.ExponentialBuckets(0.001, 4, 9)),
		storing:  histogram("transaction_seconds", "Time that the transaction of a group of messages took.", prometheus.ExponentialBuckets(0.001, 4, 8)),
		group:    histogram("group_records", "Records in the transaction of a group of messages.", prometheus.ExponentialBuckets(1, 4, 7)),
	}
	opaque := counter("opaque_records_total", "Records that were stored as they are, because what they say is of a newer kind or makes no sense.")
	failures := counter("database_failures_total", "Attempts to store a group of messages that failed and were repeated.")
	m.opaque, m.failures = opaque.WithLabelValues(), failures.WithLabelValues()
	registry.MustRegister(m.refused, m.records, m.live, m.receipts, m.lag, m.storing, m.group, opaque, failures)
	for _, reason := range reasons() {
		m.refused.WithLabelValues(string(reason))
	}
	for _, fate := range []store.RecordFate{store.RecordStored, store.RecordDuplicate, store.RecordConflict} {
		m.records.WithLabelValues(string(fate))
	}
	for _, result := range []string{"sent", "failed"} {
		m.receipts.WithLabelValues(result)
	}
	return m
}
