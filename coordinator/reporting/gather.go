package reporting

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/report"
)

// farFuture is when a fleet that is in force ends to be.
var farFuture = time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)

// fleets reads the fleet files that were in force in a period, and how each
// differs from the one before.
func (r *Reporter) fleets(ctx context.Context, p report.Period) ([]report.Fleet, []report.Change, error) {
	versions, err := r.Store.FleetVersionsIn(ctx, p.From, p.To)
	if err != nil {
		return nil, nil, err
	}
	if len(versions) > mostVersions {
		return nil, nil, fault.New(fault.Refused, "from", "the fleet file was changed %d times in that time, and a report reads %d at most; ask for a shorter time", len(versions), mostVersions)
	}
	var fleets []report.Fleet
	changes := []report.Change{}
	for i, version := range versions {
		read, err := fleet.Read(version.File, []byte(version.YAML))
		if err != nil {
			return nil, nil, fmt.Errorf("version %d of the fleet file can't be read by this version of the program: %w", version.Version, err)
		}
		fleets = append(fleets, report.Fleet{Fleet: read, From: version.AppliedAt, To: farFuture})
		if i == 0 {
			continue
		}
		fleets[i-1].To = version.AppliedAt
		change := report.Change{At: version.AppliedAt, Version: version.Version, By: version.AppliedBy, Changes: []string{}}
		for _, c := range fleet.Changes(fleets[i-1].Fleet, read) {
			change.Changes = append(change.Changes, c.String())
		}
		changes = append(changes, change)
	}
	return fleets, changes, nil
}

func (r *Reporter) missing(ctx context.Context, _ asked, c *report.Context) (err error) {
	c.Missing, err = r.Store.MissingRecords(ctx)
	return err
}

// touches says whether something of a site or beacon belongs in a report.
func (q asked) touches(site, beacon string) bool {
	return (q.Scope.Site == "" || site == "" || site == q.Scope.Site) &&
		(q.Scope.Beacon == "" || beacon == "" || beacon == q.Scope.Beacon)
}

func (r *Reporter) hushes(ctx context.Context, q asked, c *report.Context) error {
	past, err := r.Store.HushesIn(ctx, q.period.From, q.period.To)
	if err != nil {
		return err
	}
	c.Hushes = []report.Hush{}
	for _, h := range past {
		if !q.touches(h.Site, h.Beacon) {
			continue
		}
		told := report.Hush{Scope: scope(h.Site, h.Beacon, h.Band), From: h.GivenAt, To: h.ReleasedAt, By: h.GivenBy, Reason: h.Reason}
		if h.ReleasedBy != nil {
			told.ReleasedBy = *h.ReleasedBy
		}
		if h.ReleaseReason != nil {
			told.ReleaseReason = *h.ReleaseReason
		}
		c.Hushes = append(c.Hushes, told)
	}
	return nil
}

func scope(site, beacon, band string) string {
	var parts []string
	for _, part := range [][2]string{{"site", site}, {"beacon", beacon}, {"band", band}} {
		if part[1] != "" {
			parts = append(parts, part[0]+" "+part[1])
		}
	}
	if len(parts) == 0 {
		return "the whole network"
	}
	return strings.Join(parts, ", ")
}

// shortfalls adds up what plans said on the days of the period: the same beacon,
// band and reason in one line.
func (r *Reporter) shortfalls(ctx context.Context, q asked, c *report.Context) error {
	all, err := r.Store.Shortfalls(ctx, q.period.From, q.period.To)
	if err != nil {
		return err
	}
	c.Shortfalls = []report.Shortfall{}
	type key struct{ beacon, band, reason string }
	at := map[key]int{}
	for _, s := range all {
		if !slices.Contains(q.names, s.Beacon) {
			continue
		}
		k := key{s.Beacon, s.Band, s.Reason}
		i, known := at[k]
		if !known {
			i = len(c.Shortfalls)
			at[k] = i
			c.Shortfalls = append(c.Shortfalls, report.Shortfall{Beacon: s.Beacon, Band: s.Band, Reason: s.Reason})
		}
		c.Shortfalls[i].Days++
		c.Shortfalls[i].Wanted += s.Wanted
		c.Shortfalls[i].Granted += s.Granted
	}
	return nil
}

// alerts lists the alerts of the period.
func (r *Reporter) alerts(ctx context.Context, q asked, c *report.Context) error {
	past, err := r.Store.AlertsIn(ctx, q.period.From, q.period.To)
	if err != nil {
		return err
	}
	c.Alerts = []report.Alert{}
	for _, a := range past {
		if !q.touches(a.Site, a.Beacon) || a.Beacon != "" && !slices.Contains(q.names, a.Beacon) {
			continue
		}
		told := report.Alert{What: strings.ReplaceAll(a.Condition, "_", " "), Beacon: a.Beacon, RaisedAt: a.RaisedAt, ClearedAt: a.OverAt, Acknowledged: a.AcknowledgedAt}
		if a.AcknowledgedBy != nil {
			told.By = *a.AcknowledgedBy
		}
		c.Alerts = append(c.Alerts, told)
	}
	return nil
}
