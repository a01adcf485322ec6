package report_test

import (
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/report"
	"lamplighter/coordinator/report/reporttest"
)

// sample is a report in which everything occurs that a report can tell.
func sample(t testing.TB) *report.Report {
	t.Helper()
	p := week(t, "2026-W43", reporttest.Zone)
	w := generate(t, p, time.Minute)
	before, err := reporttest.Generate(2, p.Before().From, p.Before().To, time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	earlier := build(before, p.Before(), p.To, fleet.Scope{}, report.Context{})
	at := func(hours float64) time.Time { return p.From.Add(time.Duration(hours * float64(time.Hour))) }
	released, acknowledged := at(53.5), at(2.25)
	share := 0.62
	rose := []report.Sector{}
	for i := range 16 {
		km := []float64{0, 0, 0, 0, 0, 0}
		if i%3 > 0 {
			for hour := range km {
				km[hour] = float64(i*61+hour*173) * 1.7
			}
			km[i%6] = 0
		}
		rose = append(rose, report.Sector{Bearing: int(float64(i) * 22.5), Reports: int64(i * 3), Km: km})
	}
	return build(w, p, p.To.Add(9*24*time.Hour), fleet.Scope{}, report.Context{
		Before:  earlier,
		Missing: map[string]int64{"mill-b": 3},
		Hushes: []report.Hush{{
			Scope: "site harbour", From: at(50), To: &released, By: "operator on the coordinator's computer",
			Reason: "measurements on the mast", ReleasedBy: "operator on the coordinator's computer", ReleaseReason: "done",
		}},
		Alerts:     []report.Alert{{What: "GPS lock lost", Beacon: "hilltop-c", RaisedAt: at(2), Acknowledged: &acknowledged, By: "Q1ABC"}},
		Changes:    []report.Change{{At: at(30), Version: 2, By: "operator", Changes: []string{"beacon mill-a: share 0.2 -> 0.1"}}},
		Shortfalls: []report.Shortfall{{Beacon: "island-a", Days: 3, Wanted: 216, Granted: 190, Reason: "max_in_30min keeps it from 26 slots"}},
		Heard: []report.Heard{
			{Beacon: "hilltop-a", Band: "40m", Reports: 1312, Receivers: 61, FarthestKm: 6104.6, Farthest: "Q9XYZ in FN42AX", Share: &share, First: at(0.2), Last: at(160), Rose: rose},
			{Beacon: "hilltop-a", Band: "20m", Reports: 402, Receivers: 33, FarthestKm: 18128.5, Farthest: "Q8ABC in RE78IR", Share: &share, First: at(5), Last: at(140), Rose: rose},
			{Beacon: "mill-b", Band: "80m", Reports: 95, Receivers: 12, FarthestKm: 923.6, Farthest: "Q7ABC in JN58TD", Share: &share, First: at(20), Last: at(110), Rose: rose},
		},
	})
}
