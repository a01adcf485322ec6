package reporting_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/report"
	"lamplighter/coordinator/reporting"
)

// What was ordered, changed and wrong is told of the period in which it was, and
// of the part of the network that was asked for.
func TestEventsOfThePeriodAreTold(t *testing.T) {
	n, _, start := past(t)
	at := func(minutes int) time.Time { return start.Add(time.Duration(minutes) * time.Minute) }
	n.exec(t, `insert into hushes (epoch, site, beacon, band, reason, given_by, given_at, released_at, released_by, release_reason)
		values (1, 'a', '', '', 'mast work', 'Q9ABC', $1, $2, 'Q8ABC', 'done'), (1, '', 'two', '', 'old', 'Q9ABC', $3, $4, 'Q9ABC', 'done')`,
		at(5), at(25), at(-90), at(-80))
	n.exec(t, `insert into alerts (condition, site, beacon, state, since, raised_at, over_at, closed, memory)
		values ('gps_lost', 'a', 'one', 'cleared', $1, $1, $2, true, '{}'), ('gps_lost', 'a', 'two', 'raised', $3, $3, null, false, '{}')`,
		at(10), at(20), at(90))
	n.exec(t, `insert into alert_acknowledgements (alert, person, reason, at) select alert, 'Q7ABC', 'looking', $1 from alerts where beacon = 'one'`, at(12))
	n.exec(t, `insert into shortfalls (day, beacon, band, wanted, granted, reason) values ($1, 'one', '', 72, 60, 'the slots open to it are all used')`, start.Truncate(24*time.Hour))
	n.exec(t, `insert into fleet_versions (version, network, slot_seconds, file, yaml, applied_at, applied_by)
		select 2, network, slot_seconds, file, replace(yaml, 'share: 0.1', 'share: 0.2'), $1, 'Q6ABC' from fleet_versions`, at(30))
	r := n.report(t, reporting.Request{From: start, To: start.Add(time.Hour)})
	released, over, acknowledged := at(25), at(20), at(12)
	want := report.Report{
		Hushes:     []report.Hush{{Scope: "site a", From: at(5), To: &released, By: "Q9ABC", Reason: "mast work", ReleasedBy: "Q8ABC", ReleaseReason: "done"}},
		Alerts:     []report.Alert{{What: "gps lost", Beacon: "one", RaisedAt: at(10), ClearedAt: &over, Acknowledged: &acknowledged, By: "Q7ABC"}},
		Shortfalls: []report.Shortfall{{Beacon: "one", Days: 1, Wanted: 72, Granted: 60, Reason: "the slots open to it are all used"}},
		Changes:    []report.Change{{At: at(30), Version: 2, By: "Q6ABC", Changes: []string{"beacon one: share 0.1 -> 0.2", "beacon two: share 0.1 -> 0.2"}}},
	}
	got := report.Report{Hushes: r.Hushes, Alerts: r.Alerts, Shortfalls: r.Shortfalls, Changes: r.Changes}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	// Half an hour of 15 slots at a tenth, and one at a fifth.
	if r.Wanted != 2*(1+3) || r.Minutes != 120 {
		t.Errorf("%d wanted in %d minutes", r.Wanted, r.Minutes)
	}
	if r := n.report(t, reporting.Request{From: start, To: start.Add(time.Hour), Scope: fleet.Scope{Beacon: "two"}}); len(r.Alerts) != 0 || len(r.Shortfalls) != 0 || len(r.Hushes) != 1 {
		t.Errorf("beacon two alone has %d alerts, %d shortfalls, %d hushes", len(r.Alerts), len(r.Shortfalls), len(r.Hushes))
	}
}
