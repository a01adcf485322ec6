package main

import (
	"fmt"
	"time"

	"lamplighter/coordinator/planner"
)

// capacityCmd says how full things are that beacons share.
type capacityCmd struct {
	Fleet string  `arg:"" help:"The fleet file."`
	From  instant `placeholder:"TIME" help:"Look at the slots that start at this time or later (default: the coming midnight, UTC)."`
	To    instant `placeholder:"TIME" help:"And before this one (default: a day after --from)."`
	outputFlag
}

// Help is shown by --help.
func (capacityCmd) Help() string {
	return `Needs no coordinator. It plans, and says of each site, each piece of shared equipment (such as an antenna) and each band:

    beacons  how many share it
    wanted   transmissions that they want; on a band, by its weight
    used     transmissions that the plan has
    most     transmissions for which there is room: where and when somebody
             may use it, and near sites on a band one at a time
    cost     transmissions that they would lose if one more beacon, wanting
             what they want in the mean, had its equal part

Sites and equipment that can never be full are not listed.

Examples:

    lamplighter capacity fleet.yaml
    lamplighter capacity fleet.yaml --from 2026-12-01T00:00:00Z --to 2026-12-08T00:00:00Z --output csv`
}

// Run plans and prints.
func (c *capacityCmd) Run(e *environment) error {
	f, err := e.readFleet(c.Fleet)
	if err != nil {
		return err
	}
	const day = 24 * time.Hour
	if c.From.IsZero() {
		c.From.Time = time.Now().UTC().Truncate(day).Add(day)
	}
	if c.To.IsZero() {
		c.To.Time = c.From.Add(day)
	}
	rooms, err := planner.Capacity(planner.Input{Fleet: f, From: c.From.Time, To: c.To.Time}, progress(e, e.stderr))
	if err != nil {
		return planningFault(err)
	}
	e.note("From %s to %s.", c.From.Format(time.RFC3339), c.To.Format(time.RFC3339))
	rows := table{columns: []string{"kind", "site", "name", "beacons", "wanted", "used", "most", "full_percent", "cost"}}
	for _, r := range rooms {
		rows.rows = append(rows.rows, []string{
			r.Kind, r.Site, r.Name, fmt.Sprint(r.Beacons), fmt.Sprint(r.Wanted), fmt.Sprint(r.Used), fmt.Sprint(r.Most), percent(r.Used, r.Most), fmt.Sprint(r.Cost),
		})
	}
	return c.write(e.stdout, rows, rooms)
}
