package reporttest

import (
	"fmt"
	"sort"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lamplighter/coordinator/report"
)

// Compare holds a report against the truth, figure by figure.
func Compare(t testing.TB, w *Week, p report.Period, r *report.Report) {
	t.Helper()
	compareFigures(t, "the network", w.All, r.Figures)
	if len(r.Beacons) != Beacons || len(r.Sites) != len(w.Sites) {
		t.Fatalf("%d beacons at %d sites", len(r.Beacons), len(r.Sites))
	}
	for _, s := range r.Sites {
		compareFigures(t, "site "+s.Site, w.Sites[s.Site], s.Figures)
	}
	truths := map[string]*Truth{}
	for _, b := range w.Beacons {
		truths[b.Name] = b.Truth
	}
	for _, b := range r.Beacons {
		compareFigures(t, b.Beacon, truths[b.Beacon], b.Figures)
		blocks := map[string][2]int{}
		for _, block := range b.Blocks {
			if block.Granted > 0 {
				blocks[fmt.Sprintf("%s %d", block.Band, block.Hour)] = [2]int{int(block.Granted), int(block.Sent)}
			}
		}
		if diff := cmp.Diff(truths[b.Beacon].Blocks, blocks); diff != "" {
			t.Errorf("%s, ordered and sent by band and block: %s", b.Beacon, diff)
		}
	}
	compareHeat(t, w, p, r)
	var outages []string
	for _, o := range r.Outages {
		outages = append(outages, outage(o.Beacon, o.Kind, o.From, o.To))
	}
	sort.Strings(outages)
	want := append([]string(nil), w.All.Outages...)
	sort.Strings(want)
	if diff := cmp.Diff(want, outages); diff != "" {
		t.Errorf("outages: %s", diff)
	}
}

func compareFigures(t testing.TB, of string, want *Truth, got report.Figures) {
	t.Helper()
	for _, c := range []struct {
		what      string
		want, got any
	}{
		{"minutes", want.Minutes, got.Minutes},
		{"minutes heard", want.Heard(), got.Heard},
		{"minutes ready", want.Ready(), got.Ready},
		{"minutes locked", want.Locked(), got.Locked},
		{"minutes in holdover", want.Holdover(), got.Holdover},
		{"uptime", float64(want.Heard()) / float64(want.Minutes), *got.Uptime},
		{"readiness", float64(want.Ready()) / float64(want.Minutes), *got.Readiness},
		{"ordered", int64(want.Slots["ordered"]), got.Ordered},
		{"sent", int64(want.Slots["sent"]), got.Sent},
		{"skipped", int64(want.Slots["skipped"]), got.Skipped},
		{"aborted", int64(want.Slots["aborted"]), got.Aborted},
		{"unreported", int64(want.Slots["unreported"]), got.Unreported},
		{"open", int64(0), got.Open},
		{"airtime", want.Keyed.Seconds(), got.Airtime},
		{"GPS outages", want.GPSOutages, got.OutageCount},
		{"GPS outage minutes", want.GPSOutagesMinutes, got.OutageMinutes},
		{"median clock", float64(want.ClockNs(50)) / 1e9, got.Clock.Median},
		{"95th percentile of the clock", float64(want.ClockNs(95)) / 1e9, got.Clock.P95},
		{"99th percentile of the clock", float64(want.ClockNs(99)) / 1e9, got.Clock.P99},
		{"worst clock", float64(want.WorstNs) / 1e9, got.Clock.Worst},
		{"samples", int64(want.Samples()), got.Clock.Samples},
		{"time of the worst clock", want.WorstAt.UTC(), *got.WorstAt},
		{"median frequency", float64(want.FrequencyPpt(50)) / 1e3, got.Frequency.Median},
		{"99th percentile of the frequency", float64(want.FrequencyPpt(99)) / 1e3, got.Frequency.P99},
	} {
		if !cmp.Equal(c.want, c.got) {
			t.Errorf("%s: %s is %v, in truth %v", of, c.what, c.got, c.want)
		}
	}
	reasons := map[string]int{}
	for _, r := range got.Reasons {
		reasons[r.Band+" "+r.Ending+" "+r.Reason] = int(r.Slots)
	}
	if diff := cmp.Diff(want.Reasons, reasons); diff != "" {
		t.Errorf("%s, reasons: %s", of, diff)
	}
}

// compareHeat counts what was sent by band, day and hour of the wall clock.
func compareHeat(t testing.TB, w *Week, p report.Period, r *report.Report) {
	t.Helper()
	want, got := map[string]int64{}, map[string]int64{}
	for key, n := range w.All.Heat {
		var band string
		var hour int64
		if _, err := fmt.Sscanf(key, "%s %d", &band, &hour); err != nil {
			t.Fatal(err)
		}
		want[band+time.Unix(hour*3600, 0).In(p.Zone).Format(" 2006-01-02 15")] += int64(n)
	}
	for _, band := range r.Bands {
		if sent := int64(w.All.ByBand[band.Band]); band.Sent != sent {
			t.Errorf("%s: %d sent, in truth %d", band.Band, band.Sent, sent)
		}
		for day, hours := range band.Heat {
			for hour, n := range hours {
				if n > 0 {
					got[fmt.Sprintf("%s %s %02d", band.Band, r.Days[day].Format(time.DateOnly), hour)] += n
				}
			}
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("sent by band, day and hour: %s", diff)
	}
}
