package reporting_test

import (
	"bytes"
	"fmt"
	"runtime"
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/report"
	"lamplighter/coordinator/reporting"
	"lamplighter/coordinator/store"
)

// BenchmarkWeekOfAThousandBeacons makes the weekly report, with the week before
// it to compare with, of a thousand beacons at 250 sites, each with 72
// transmissions a day. Hours are there already, as they are when a week is over.
func BenchmarkWeekOfAThousandBeacons(b *testing.B) {
	var yaml strings.Builder
	yaml.WriteString("network: {name: The Nation}\nsites:\n")
	for i := range 250 {
		fmt.Fprintf(&yaml, "  - {name: s%d, locator: J%c%d%d, time_zone: Etc/UTC, transmitters_at_once: 4}\n", i, 'A'+rune(i/100), i/10%10, i%10)
	}
	yaml.WriteString("beacons:\n")
	for i := range 1000 {
		fmt.Fprintf(&yaml, "  - {name: b%d, callsign: Q%d%c%c%c, site: s%d, control: remote, power_dbm: 23, share: 0.1, uncertainty_ppm: 0.01, licence: {max_power_dbm: 30}, bands: [80m, 40m, 20m]}\n",
			i, i%10, 'A'+rune(i/10%26), 'A'+rune(i/260%26), 'A'+rune(i%7), i/4)
	}
	n := newNetwork(b, yaml.String())
	p := n.past(b)
	n.exec(b, "update fleet_versions set applied_at = $1", p.From.AddDate(0, 0, -60))
	n.exec(b, "update memory set hours_seen = date_trunc('hour', now())")
	n.exec(b, `
		insert into beacon_hours (beacon, hour, samples, heard, ready, locked, holdover, on_air, clock_ns, clock_count, worst_clock_ns, worst_clock_at,
			frequency_ppt, frequency_count, bands, endings, reasons, slots, keyed_us)
		select 'b' || i, hour, 120, (1::bigint << 60) - 1, (1::bigint << 60) - 1 - (i % 7), (1::bigint << 60) - 1, 0, 5,
			(select array_agg(800000 + 10000 * k + 1000 * (i % 10)) from generate_series(1, 30) k), array_fill(4::bigint, array[30]), 1100000, hour + interval '7 minutes',
			array[1000, 1010, 1020, 1030]::bigint[], array[30, 30, 30, 30]::bigint[],
			array['20m', '40m', '80m'], array['sent', 'sent', 'skipped'], array['', '', 'hushed'], array[1, 1, 1]::bigint[], array[110592000, 110592000, 0]::bigint[]
		from generate_series(0, 999) i, generate_series($1::timestamptz, $2::timestamptz - interval '1 hour', interval '1 hour') hour`,
		p.From.AddDate(0, 0, -7), p.To)
	n.exec(b, "analyze beacon_hours")
	reporter := reporting.Reporter{Store: n.Store, Fleets: store.NewFleets(n.Store)}
	var before, after runtime.MemStats
	for b.Loop() {
		runtime.GC()
		runtime.ReadMemStats(&before)
		began := time.Now()
		r, err := reporter.Report(b.Context(), reporting.Request{From: p.From, To: p.To})
		if err != nil {
			b.Fatal(err)
		}
		made := time.Since(began)
		runtime.GC()
		runtime.ReadMemStats(&after)
		b.ReportMetric(made.Seconds(), "s/report")
		b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/(1<<20), "MiB-held")
		if hours := int64(p.Length().Hours()); r.Sent != 2*1000*hours || r.Before.Sent == 0 {
			b.Fatalf("%d sent", r.Sent)
		}
		size(b, r)
	}
}

func size(b *testing.B, r *report.Report) {
	b.Helper()
	var page bytes.Buffer
	began := time.Now()
	if err := r.HTML(&page, time.UTC); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(time.Since(began).Seconds(), "s/page")
	b.ReportMetric(float64(page.Len())/(1<<20), "MiB/page")
}
