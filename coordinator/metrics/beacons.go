// Package metrics shows Prometheus how the beacons are.
//
// Everything is read from Postgres at each scrape and nothing is kept here, so
// that counters survive a restart, a beacon that has left the fleet is gone at
// the next scrape, and a coordinator that does not lead shows nothing: several
// coordinators never tell the same thing twice. What is not known is no sample,
// never zero. The only labels are site, beacon, band and outcome, all from
// short lists that the fleet file sets.
package metrics

import (
	"context"
	"log/slog"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/store"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// readWithin is how long a scrape waits for the database.
const readWithin = 5 * time.Second

var place = []string{"site", "beacon"}

func describe(name, help string, more ...string) *prometheus.Desc {
	return prometheus.NewDesc("lamplighter_beacon_"+name, help, append(place[:2:2], more...), nil)
}

var (
	up = describe("up",
		"Whether the coordinator has heard from the beacon's agent within 90 seconds.")
	lastSeen = describe("last_seen_timestamp_seconds",
		"When the coordinator last heard from the beacon's agent, by the database's clock.")
	gpsLock = describe("gps_lock",
		"Whether the beacon's GPS receiver has a valid fix; no sample while that is unknown.")
	clockError = describe("clock_error_bound_seconds",
		"How wrong the beacon's clock may be now.")
	frequencyUncertainty = describe("frequency_uncertainty_ratio",
		"How far off the beacon's frequency may be, as a ratio.")
	transmissions = describe("transmissions_total",
		"Ordered slots by how they ended: sent, skipped or aborted.", "band", "outcome")
	leaseRemaining = describe("lease_remaining_seconds",
		"How long the latest lease granted to the beacon still runs; 0 when it is over.")
)

// Beacons collects the metrics of all beacons.
type Beacons struct {
	store  *store.Store
	fleets *store.Fleets
	leads  func() bool
	log    *slog.Logger
	ctx    context.Context //nolint:containedctx // a scrape brings none; this one ends with the coordinator
}

// NewBeacons makes the collector. It reads until ctx ends, and only while leads
// says that this coordinator leads.
func NewBeacons(ctx context.Context, s *store.Store, fleets *store.Fleets, leads func() bool, log *slog.Logger) *Beacons {
	return &Beacons{ctx: ctx, store: s, fleets: fleets, leads: leads, log: log}
}

// Describe names the metrics.
func (b *Beacons) Describe(descriptions chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{up, lastSeen, gpsLock, clockError, frequencyUncertainty, transmissions, leaseRemaining} {
		descriptions <- d
	}
	for _, m := range measured {
		descriptions <- m.description
	}
}

// Collect reads how the beacons are.
func (b *Beacons) Collect(samples chan<- prometheus.Metric) {
	if !b.leads() {
		return
	}
	ctx, cancel := context.WithTimeout(b.ctx, readWithin)
	defer cancel()
	beacons, now, err := b.store.Beacons(ctx, b.fleets)
	if err != nil {
		b.log.Warn("the beacons' metrics could not be read", "error", err)
		samples <- prometheus.NewInvalidMetric(up, err)
		return
	}
	totals, err := b.store.OutcomeTotals(ctx)
	if err != nil {
		b.log.Warn("the transmissions could not be counted", "error", err)
		samples <- prometheus.NewInvalidMetric(transmissions, err)
		return
	}
	sites := make(map[string]string, len(beacons))
	for _, beacon := range beacons {
		sites[beacon.GetBeacon()] = beacon.GetSite()
		collect(samples, beacon, now)
	}
	for _, t := range totals {
		if site, ok := sites[t.Beacon]; ok {
			samples <- prometheus.MustNewConstMetric(transmissions, prometheus.CounterValue, float64(t.Total), site, t.Beacon, t.Band, t.Outcome)
		}
	}
}

// collect tells what is known of one beacon.
func collect(samples chan<- prometheus.Metric, b *apiv1.Beacon, now time.Time) {
	gauge := func(d *prometheus.Desc, value float64) {
		samples <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, value, b.GetSite(), b.GetBeacon())
	}
	heard := b.GetState() != apiv1.BeaconState_BEACON_STATE_NEVER_SEEN && b.GetState() != apiv1.BeaconState_BEACON_STATE_LOST
	gauge(up, truth(heard))
	if b.LastSeen != nil {
		gauge(lastSeen, float64(b.GetLastSeen().AsTime().UnixMilli())/1000)
	}
	if b.GetLock() != apiv1.LockState_LOCK_STATE_UNSPECIFIED {
		gauge(gpsLock, truth(b.GetLock() == apiv1.LockState_LOCK_STATE_LOCKED))
	}
	if b.ClockErrorSeconds != nil {
		gauge(clockError, b.GetClockErrorSeconds())
	}
	if b.FrequencyUncertaintyRatio != nil {
		gauge(frequencyUncertainty, b.GetFrequencyUncertaintyRatio())
	}
	for _, m := range measured {
		if value, known := m.of(b.GetVitals(), now); known {
			gauge(m.description, value)
		}
	}
	if b.LeaseUntil != nil {
		gauge(leaseRemaining, max(0, b.GetLeaseUntil().AsTime().Sub(now).Seconds()))
	}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
