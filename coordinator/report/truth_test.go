package report_test

import (
	"slices"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/report"
	"lamplighter/coordinator/report/reporttest"
	"lamplighter/coordinator/rollup"
	"lamplighter/coordinator/zone"
)

func load(t testing.TB, name string) *time.Location {
	t.Helper()
	loaded, err := zone.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	return loaded
}

func week(t testing.TB, text, zone string) report.Period {
	t.Helper()
	p, err := report.ParseWeek(text, load(t, zone))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func generate(t testing.TB, p report.Period, every time.Duration) *reporttest.Week {
	t.Helper()
	w, err := reporttest.Generate(1, p.From, p.To, every)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// hours rolls up what happened at a beacon.
func hours(b reporttest.Beacon) (hours []rollup.Hour) {
	samples, slots := map[time.Time][]rollup.Sample{}, map[time.Time][]rollup.Slot{}
	for _, s := range b.Samples {
		hour := s.At.Truncate(time.Hour)
		samples[hour] = append(samples[hour], rollup.Sample{At: s.At, Lock: s.Lock, ClockErrorNs: &s.ClockErrorNs, FrequencyPpb: &s.FrequencyPpb, OnAir: s.OnAir})
	}
	for _, s := range b.Slots {
		hour := s.Start.Truncate(time.Hour)
		slots[hour] = append(slots[hour], rollup.Slot{Band: s.Band, Ending: s.Ending, Reason: s.Reason, Keyed: s.Keyed})
		if samples[hour] == nil {
			samples[hour] = []rollup.Sample{}
		}
	}
	for hour := range samples {
		hours = append(hours, rollup.Roll(b.Name, hour, samples[hour], slots[hour]))
	}
	slices.SortFunc(hours, func(a, b rollup.Hour) int { return a.Start.Compare(b.Start) })
	return hours
}

func build(w *reporttest.Week, p report.Period, now time.Time, scope fleet.Scope, c report.Context) *report.Report {
	builder := report.New(report.Options{
		Period: p, Now: now, Scope: scope, Fleets: []report.Fleet{{Fleet: w.Fleet, From: p.From.AddDate(0, 0, -30), To: now}},
	})
	for _, b := range w.Beacons {
		for _, h := range hours(b) {
			builder.Add(h)
		}
	}
	return builder.Report(c)
}

func TestEveryFigureOfAWeekIsTheTruth(t *testing.T) {
	for name, every := range map[string]time.Duration{"2026-W43": 30 * time.Second, "2026-W13": time.Minute, "2026-W53": time.Minute} {
		t.Run(name, func(t *testing.T) {
			p := week(t, name, reporttest.Zone)
			w := generate(t, p, every)
			reporttest.Compare(t, w, p, build(w, p, p.To.Add(9*24*time.Hour), fleet.Scope{}, report.Context{}))
		})
	}
}
