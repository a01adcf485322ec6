package main

import (
	"strings"
	"time"

	"lamplighter/coordinator/plan"
)

// checkCmd checks a plan.
type checkCmd struct {
	Fleet string `arg:"" help:"The fleet file."`
	Plan  string `arg:"" help:"The plan file."`
	planFiles
	outputFlag
	Figures bool `help:"Also measure how good the plan is; violations and figures are then printed as one piece of JSON."`
}

// Help is shown by --help.
func (checkCmd) Help() string {
	return `Needs no coordinator, and does not use the planner: it looks at the plan alone. Each line is a rule that the plan breaks. The exit code is 0 only if it breaks none.

Examples:

    lamplighter check fleet.yaml plan.json
    lamplighter check fleet.yaml plan.json --figures`
}

// Run checks and prints.
func (c *checkCmd) Run(e *environment) error {
	f, err := e.readFleet(c.Fleet)
	if err != nil {
		return err
	}
	p, err := readPlan(c.Plan)
	if err != nil {
		return err
	}
	hasten(p.From, p.To)
	extra, err := c.read()
	if err != nil {
		return err
	}
	violations := plan.Check(f, p, extra)
	if c.Figures {
		err = writeJSON(e.stdout, struct {
			Violations []plan.Violation `json:"violations"`
			Figures    any              `json:"figures"`
		}{append([]plan.Violation{}, violations...), plan.Measure(f, p, extra)})
	} else {
		err = c.print(e, violations)
	}
	if err != nil {
		return err
	}
	if len(violations) > 0 {
		e.note("The plan breaks rules: %d violations.", len(violations))
		return errTold
	}
	e.note("The plan breaks no rule.")
	return nil
}

// print lists violations; none is no output but for JSON's empty list.
func (c *checkCmd) print(e *environment, violations []plan.Violation) error {
	if len(violations) == 0 && c.Output == "table" {
		return nil
	}
	rows := table{columns: []string{"rule", "start", "beacons", "violation"}}
	for _, v := range violations {
		rows.rows = append(rows.rows, []string{string(v.Rule), violationStart(v), strings.Join(v.Beacons, " "), v.Sentence})
	}
	return c.write(e.stdout, rows, append([]plan.Violation{}, violations...))
}

// violationStart is the slot of a violation, "" where it has none.
func violationStart(v plan.Violation) string {
	if v.Start.IsZero() {
		return ""
	}
	return v.Start.Format(time.RFC3339)
}
