package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime/debug"
	"strings"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
)

// planFiles are the files that may accompany a plan.
type planFiles struct {
	History  string `placeholder:"FILE" help:"What was really transmitted before, as a plan file."`
	Previous string `placeholder:"PLAN" help:"The plan that this one replaces."`
	Taken    string `placeholder:"PLAN" help:"Slots that are promised already: leases that still run."`
}

// planCmd makes a plan.
type planCmd struct {
	Fleet string  `arg:"" help:"The fleet file."`
	From  instant `required:"" placeholder:"TIME" help:"Plan the slots that start at this time or later."`
	To    instant `required:"" placeholder:"TIME" help:"And before this one."`
	planFiles
	Explain string `placeholder:"BEACON" help:"Print what keeps this beacon from more, instead of the plan."`
	File    string `short:"o" name:"out" placeholder:"FILE" help:"Write the plan to this file."`
}

// Help is shown by --help.
func (planCmd) Help() string {
	return `Needs no coordinator. The plan is JSON, with a reason for every beacon that gets less than it wants. The same files and times give the same plan, byte for byte.

With --explain, standard output says of one beacon what it wants and gets, and what keeps it from more; the plan is then written only where -o names a file.

Examples:

    lamplighter plan fleet.yaml --from 2026-12-01T00:00:00Z --to 2026-12-02T00:00:00Z -o plan.json
    lamplighter plan fleet.yaml --from 2026-12-01T00:00:00Z --to 2026-12-02T00:00:00Z --explain hilltop-hf`
}

// Run plans and writes.
func (c *planCmd) Run(e *environment) error {
	hasten(c.From.Time, c.To.Time)
	f, err := e.readFleet(c.Fleet)
	if err != nil {
		return err
	}
	extra, err := c.read()
	if err != nil {
		return err
	}
	if c.Explain != "" && f.Beacon(c.Explain) == nil {
		return fault.New(fault.NotFound, "", "there is no beacon %.80q in the fleet file", c.Explain)
	}
	in := planner.Input{Fleet: f, From: c.From.Time, To: c.To.Time, History: extra.History, Previous: extra.Previous, Taken: extra.Taken}
	made, err := planner.Make(in, progress(e, e.stderr))
	if err != nil {
		return planningFault(err)
	}
	if c.Explain != "" {
		if err := explain(e.stdout, in, made, c.Explain); err != nil || c.File == "" {
			return err
		}
	}
	if short := len(made.Shortfalls); short > 0 {
		e.note("%d shortfalls; the plan says who gets less than wanted, and why.", short)
	}
	return writeFile(e.stdout, c.File, 0o644, made.Encode())
}

// planningFault is what a command returns when planning failed: unless somebody
// stopped it, what was given can't be right.
func planningFault(err error) error {
	if errors.Is(err, planner.ErrStopped) {
		return err
	}
	return fault.New(fault.Invalid, "", "%w", err)
}

// read reads the files that were named.
func (p planFiles) read() (extra plan.Extra, err error) {
	for _, file := range []struct {
		name string
		into **plan.Plan
	}{{p.History, &extra.History}, {p.Previous, &extra.Previous}, {p.Taken, &extra.Taken}} {
		if file.name == "" {
			continue
		}
		if *file.into, err = readPlan(file.name); err != nil {
			return plan.Extra{}, err
		}
	}
	return extra, nil
}

func readPlan(file string) (*plan.Plan, error) {
	text, err := readFile(file, maxPlanFile)
	if err != nil {
		return nil, err
	}
	read, err := plan.Decode(text)
	if err != nil {
		return nil, fault.New(fault.Invalid, "", "%s: %w", file, err)
	}
	return read, nil
}

// readFleet reads a fleet file and shows its warnings.
func (e *environment) readFleet(file string) (*fleet.Fleet, error) {
	text, err := readFile(file, maxFleetFile)
	if err != nil {
		return nil, err
	}
	f, err := fleet.Read(file, text)
	if err != nil {
		return nil, fault.New(fault.Invalid, "", "the fleet file is wrong:\n%w", err)
	}
	var all strings.Builder // one write for what may be hundreds
	for _, warning := range f.Warnings {
		fmt.Fprintf(&all, "warning: %s\n", warning)
	}
	fmt.Fprint(e.stderr, &all) //nolint:errcheck // only for show
	return f, nil
}

// hasten has garbage collected less often while a command works on a plan of a week
// or less: it is soon over, and what it needs is little even so.
func hasten(from, to time.Time) {
	const percent = 400
	if to.Sub(from) <= 7*24*time.Hour {
		debug.SetGCPercent(percent)
	}
}

// progress shows how far the work has come on a terminal, ten times a second
// at most, and stops it when ctx ends.
func progress(ctx context.Context, w io.Writer) planner.Progress {
	return progressOf(ctx, w, "planning")
}

// progressOf is progress of other work.
func progressOf(ctx context.Context, w io.Writer, work string) planner.Progress {
	terminal := onTerminal(w)
	var shown time.Time
	return func(done, total int) bool {
		if now := time.Now(); terminal && total > 0 && (done == total || now.Sub(shown) > 100*time.Millisecond) {
			shown = now
			fmt.Fprintf(w, "\r%s: %3d %%", work, 100*done/total) //nolint:errcheck // only for show
			if done == total {
				fmt.Fprint(w, "\r\x1b[K") //nolint:errcheck // only for show
			}
		}
		return ctx.Err() != nil
	}
}
