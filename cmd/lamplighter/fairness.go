package main

import (
	"fmt"
	"strconv"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/plan"
)

// fairnessCmd says how evenly a plan treats the beacons.
type fairnessCmd struct {
	Fleet   string `arg:"" help:"The fleet file."`
	Plan    string `arg:"" help:"The plan file."`
	History string `placeholder:"FILE" help:"What was really transmitted before, as a plan file."`
	outputFlag
}

// Help is shown by --help.
func (fairnessCmd) Help() string {
	return `Needs no coordinator, and does not use the planner. One line for each beacon, then the whole network:

    airtime_deviation  the most by which a beacon ran ahead of an even
                       spread over the slots open to it, or behind it
    band_deviation     the same for its bands, by their weights
    jain               Jain's index: 1 if all get the same part of what they
                       want, 1/n if one of n gets everything
    hours, minutes     hours of the day, and starts within the hour, that are
                       due a visit and have one, over all beacons and bands
    returns            visits of a beacon to a band where it was before, and
                       those of them on another frequency (elsewhere)

In CSV the network is the line without a beacon.

Examples:

    lamplighter fairness fleet.yaml plan.json
    lamplighter fairness fleet.yaml plan.json --history sent.json --output json`
}

// Run measures and prints.
func (c *fairnessCmd) Run(e *environment) error {
	f, err := e.readFleet(c.Fleet)
	if err != nil {
		return err
	}
	p, err := readPlan(c.Plan)
	if err != nil {
		return err
	}
	extra, err := planFiles{History: c.History}.read()
	if err != nil {
		return err
	}
	violations := plan.Check(f, p, extra)
	switch n := len(violations); {
	case n > 0 && violations[0].Rule == plan.WrongNetwork:
		return fault.New(fault.Invalid, "", "%s", violations[0].Sentence)
	case n > 0:
		e.note("warning: the plan breaks rules; lamplighter check lists them.")
	}
	return c.print(e, plan.Measure(f, p, extra))
}

// print writes the figures: for people as two tables, in CSV as one.
func (c *fairnessCmd) print(e *environment, figures plan.Figures) error {
	beacons, network := beaconRows(figures), networkRows(figures)
	if c.Output != "table" {
		return c.write(e.stdout, join(beacons, network), figures)
	}
	if err := beacons.text(e.stdout); err != nil {
		return err
	}
	if _, err := fmt.Fprintln(e.stdout); err != nil {
		return err
	}
	return network.text(e.stdout)
}

func beaconRows(figures plan.Figures) table {
	t := table{columns: []string{"beacon", "open_slots", "wanted", "granted", "airtime_deviation", "band_deviation"}}
	for _, b := range figures.Beacons {
		t.rows = append(t.rows, []string{
			b.Beacon, fmt.Sprint(b.OpenSlots), fmt.Sprint(b.Wanted), fmt.Sprint(b.Granted), decimal(b.AirtimeDeviation, 3), decimal(b.BandDeviation, 3),
		})
	}
	return t
}

func networkRows(figures plan.Figures) table {
	s := figures.Spread
	return table{
		columns: []string{
			"wanted", "granted", "airtime_deviation", "band_deviation", "jain",
			"hours_covered", "hours_due", "minutes_covered", "minutes_due", "returns_elsewhere", "returns",
		},
		rows: [][]string{{
			fmt.Sprint(figures.Wanted), fmt.Sprint(figures.Granted), decimal(figures.AirtimeDeviation, 3), decimal(figures.BandDeviation, 3), decimal(figures.Jain, 6),
			fmt.Sprint(s.HoursCovered), fmt.Sprint(s.HoursDue), fmt.Sprint(s.MinutesCovered), fmt.Sprint(s.MinutesDue), fmt.Sprint(s.ReturnsElsewhere), fmt.Sprint(s.Returns),
		}},
	}
}

// join puts one table below another, under the columns of both.
func join(above, below table) table {
	all := table{columns: above.columns}
	at := map[string]int{}
	for i, name := range above.columns {
		at[name] = i
	}
	for _, name := range below.columns {
		if _, ok := at[name]; !ok {
			at[name] = len(all.columns)
			all.columns = append(all.columns, name)
		}
	}
	for _, t := range []table{above, below} {
		for _, row := range t.rows {
			wide := make([]string, len(all.columns))
			for i, cell := range row {
				wide[at[t.columns[i]]] = cell
			}
			all.rows = append(all.rows, wide)
		}
	}
	return all
}

func decimal(value float64, digits int) string {
	return strconv.FormatFloat(value, 'f', digits, 64)
}
