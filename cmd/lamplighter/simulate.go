package main

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"lamplighter/cmd/internal/sim"
	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
)

// simulateCmd plays a fleet on simulated time.
type simulateCmd struct {
	Fleet  string  `arg:"" help:"The fleet file."`
	Days   int     `default:"1" placeholder:"N" help:"How many days (default 1, at most 35)."`
	Seeds  int     `default:"1" placeholder:"N" help:"How often, each time with other chances (default 1)."`
	Seed   uint64  `default:"1" placeholder:"S" help:"The first seed (default 1). The same seed gives the same run."`
	Faults string  `placeholder:"FILE" help:"What goes wrong and when, or the word random: whatever can, at any time."`
	Start  instant `placeholder:"TIME" help:"When it begins (default: the coming midnight, UTC)."`
	outputFlag
}

// Help is shown by --help.
func (simulateCmd) Help() string {
	return `Needs no coordinator, and touches nothing: try a fleet file before you apply it. The real planner, coordinator, agents and keyers run on simulated time, with simulated transmitters, and an observer who knows the true time sees to it that nothing happens that must not. It prints for each beacon:

    planned  slots that stood in its orders when they began
    on_air   transmissions that there were
    sent     those of them that it recorded as sent whole
    silence  its longest time without a transmission
    skipped  why it let slots pass

A file of faults says what goes wrong, after the start:

    faults:
      - {what: power, site: hilltop, from: 6h, for: 1d}
      - {what: coordinator, from: 10h, for: 45m}

what is one of: ` + strings.Join(sim.Whats(), ", ") + `. site or beacon says where; without either it is everywhere.

It ends with 1 if a promise was broken. Then please report the fleet file and the seed.

Examples:

    lamplighter simulate fleet.yaml
    lamplighter simulate fleet.yaml --days 7 --faults winter.yaml
    lamplighter simulate fleet.yaml --faults random --seeds 20`
}

const (
	mostDays  = 35
	mostSeeds = 10_000
	calm      = 45 * time.Minute // at the end of random faults, to see that all goes back to work
)

// Run simulates and prints.
func (c *simulateCmd) Run(e *environment) error {
	switch {
	case c.Days < 1 || c.Days > mostDays:
		return fault.New(fault.Invalid, "days", "%d days, and it is 1 to %d", c.Days, mostDays)
	case c.Seeds < 1 || c.Seeds > mostSeeds:
		return fault.New(fault.Invalid, "seeds", "%d seeds, and it is 1 to %d", c.Seeds, mostSeeds)
	}
	f, err := e.readFleet(c.Fleet)
	if err != nil {
		return err
	}
	options, err := c.options(f)
	if err != nil {
		return err
	}
	var results []sim.Result
	broken := 0
	for i := range c.Seeds {
		options.Seed = c.Seed + uint64(i)
		options.Progress = c.progress(e, i)
		r, err := sim.Run(options)
		switch {
		case errors.Is(err, sim.ErrStopped):
			return err
		case err != nil:
			return fault.New(fault.Invalid, "", "%w", err)
		}
		for _, v := range r.Violations {
			e.note("seed %d: %s", options.Seed, v)
		}
		broken += len(r.Violations)
		results = append(results, r)
	}
	if err := c.print(e, sum(results)); err != nil {
		return err
	}
	if broken > 0 {
		return fmt.Errorf("promises were broken: %d times in %d runs", broken, len(results))
	}
	return nil
}

func (c *simulateCmd) options(f *fleet.Fleet) (sim.Options, error) {
	const day = 24 * time.Hour
	if c.Start.IsZero() {
		c.Start.Time = time.Now().UTC().Truncate(day).Add(day)
	}
	o := sim.Options{Fleets: []*fleet.Fleet{f}, Began: c.Start.UTC(), Long: time.Duration(c.Days) * day}
	switch c.Faults {
	case "":
	case "random":
		o.Storm, o.Calm = true, calm
	default:
		text, err := readFile(c.Faults, maxFleetFile)
		if err != nil {
			return o, err
		}
		if o.Plan, err = sim.ReadFaults(text, f); err != nil {
			return o, fault.New(fault.Invalid, "", "%s: %w", c.Faults, err)
		}
	}
	return o, nil
}

// progress shows on a terminal how far a run is.
func (c *simulateCmd) progress(e *environment, run int) func(done, total time.Duration) bool {
	show := progressOf(e, e.stderr, "simulating")
	return func(done, total time.Duration) bool {
		return show(run*int(total/time.Minute)+int(done/time.Minute), c.Seeds*int(total/time.Minute))
	}
}

// simulated is what a beacon did in all runs.
type simulated struct {
	Beacon         string         `json:"beacon"`
	Planned        int            `json:"planned"`
	OnAir          int            `json:"on_air"`
	Sent           int            `json:"sent"`
	LongestSilence time.Duration  `json:"-"`
	SilenceSeconds int            `json:"silence_seconds"`
	Skipped        map[string]int `json:"skipped"`
}

func sum(results []sim.Result) []simulated {
	all := make([]simulated, len(results[0].Beacons))
	for i, b := range results[0].Beacons {
		all[i] = simulated{Beacon: b.Name, Skipped: map[string]int{}}
		for _, r := range results {
			b := r.Beacons[i]
			all[i].Planned += b.Planned
			all[i].OnAir += b.OnAir
			all[i].Sent += b.Sent
			all[i].LongestSilence = max(all[i].LongestSilence, b.LongestSilence)
			for reason, n := range b.Skipped {
				all[i].Skipped[reason] += n
			}
		}
		all[i].SilenceSeconds = int(all[i].LongestSilence / time.Second)
	}
	return all
}

func (c *simulateCmd) print(e *environment, all []simulated) error {
	rows := table{columns: []string{"beacon", "planned", "on_air", "sent", "silence", "skipped"}}
	for _, s := range all {
		var skipped []string
		for _, reason := range slices.SortedFunc(maps.Keys(s.Skipped), func(a, b string) int {
			return cmp.Or(s.Skipped[b]-s.Skipped[a], cmp.Compare(a, b))
		}) {
			skipped = append(skipped, fmt.Sprintf("%s %d", reason, s.Skipped[reason]))
		}
		rows.rows = append(rows.rows, []string{
			s.Beacon, fmt.Sprint(s.Planned), fmt.Sprint(s.OnAir), fmt.Sprint(s.Sent), s.LongestSilence.Round(time.Minute).String(), strings.Join(skipped, ", "),
		})
	}
	return c.write(e.stdout, rows, all)
}
