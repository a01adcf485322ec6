package main

import (
	"context"
	"io"
	"os"
	"strings"

	"google.golang.org/grpc"

	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// The sizes of the largest files that a command reads.
const (
	maxFleetFile = 16 << 20
	maxPlanFile  = 1 << 30
)

// fleetCmd holds what can be done with the coordinator's fleet file.
type fleetCmd struct {
	Apply fleetApplyCmd `cmd:"" help:"Put a fleet file in force, whole or not at all."`
	Diff  fleetDiffCmd  `cmd:"" help:"Say what a fleet file would change, and change nothing."`
	Show  fleetShowCmd  `cmd:"" help:"Print the fleet file that is in force."`
}

// fleetApplyCmd puts a fleet file in force.
type fleetApplyCmd struct {
	serverFlag
	outputFlag
	File    string `arg:"" name:"fleet" help:"The fleet file."`
	BasedOn int64  `placeholder:"VERSION" help:"The version that you changed, as fleet diff and fleet show say; needed unless it is the first. Refused if another is in force by now."`
}

// Help is shown by --help.
func (fleetApplyCmd) Help() string {
	return `A file with a mistake in it is refused whole, and what was in force stays. Look at the difference first.

Example:

    lamplighter fleet diff fleet.yaml
    lamplighter fleet apply fleet.yaml --based-on 12

The number is that of the version which you changed, so that what somebody else put in force meanwhile is not lost unseen. The first file of all needs none.`
}

// Run applies the file.
func (c *fleetApplyCmd) Run(e *environment) error {
	text, err := readFile(c.File, maxFleetFile)
	if err != nil {
		return err
	}
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewFleetServiceClient(conn).ApplyFleet(ctx, &apiv1.ApplyFleetRequest{File: c.File, Yaml: string(text), BasedOn: c.BasedOn})
		if err != nil {
			return err
		}
		e.warn(answer.GetWarnings())
		e.note("Version %d is in force.", answer.GetVersion())
		return c.writeChanges(e.stdout, answer.GetVersion(), answer.GetChanges())
	})
}

// fleetDiffCmd says what a fleet file would change.
type fleetDiffCmd struct {
	serverFlag
	outputFlag
	File string `arg:"" name:"fleet" help:"The fleet file."`
}

// Help is shown by --help.
func (fleetDiffCmd) Help() string {
	return `Prints one sentence for each change that the file would make. No line means no change.

Example:

    lamplighter fleet diff fleet.yaml`
}

// Run asks and prints.
func (c *fleetDiffCmd) Run(e *environment) error {
	text, err := readFile(c.File, maxFleetFile)
	if err != nil {
		return err
	}
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewFleetServiceClient(conn).DiffFleet(ctx, &apiv1.DiffFleetRequest{File: c.File, Yaml: string(text)})
		if err != nil {
			return err
		}
		e.warn(answer.GetWarnings())
		if len(answer.GetChanges()) == 0 {
			e.note("No change to version %d.", answer.GetVersion())
		} else if answer.GetVersion() != 0 {
			e.note("To put it in force in the place of version %d: lamplighter fleet apply %s --based-on %[1]d", answer.GetVersion(), c.File)
		}
		return c.writeChanges(e.stdout, answer.GetVersion(), answer.GetChanges())
	})
}

// fleetShowCmd prints the fleet file in force.
type fleetShowCmd struct {
	serverFlag
	File string `short:"o" name:"out" placeholder:"FILE" help:"Write it to this file."`
}

// Help is shown by --help.
func (fleetShowCmd) Help() string {
	return `Prints the file exactly as it was applied, comments included.

Example:

    lamplighter fleet show -o fleet.yaml`
}

// Run asks and prints.
func (c *fleetShowCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewFleetServiceClient(conn).GetFleet(ctx, &apiv1.GetFleetRequest{})
		if err != nil {
			return err
		}
		if answer.GetVersion() == 0 {
			return fault.New(fault.NotFound, "", "no fleet file is in force yet; give the coordinator one with: lamplighter fleet apply FLEET")
		}
		e.note("Version %d, put in force by %s at %s.", answer.GetVersion(), answer.GetAppliedBy(), rfc3339(answer.GetAppliedAt()))
		return writeFile(e.stdout, c.File, 0o644, []byte(answer.GetYaml()))
	})
}

func (e *environment) warn(warnings []*apiv1.Finding) {
	for _, warning := range warnings {
		e.note("warning: %s", findingText(warning))
	}
}

// writeChanges prints what a fleet file changes, for people one to a line.
func (o outputFlag) writeChanges(w io.Writer, version int64, changes []string) error {
	rows := table{columns: []string{"change"}}
	for _, change := range changes {
		rows.rows = append(rows.rows, []string{change})
	}
	if o.Output == "table" {
		_, err := io.WriteString(w, strings.Join(append(changes, ""), "\n"))
		return err
	}
	return o.write(w, rows, struct {
		Version int64    `json:"version"`
		Changes []string `json:"changes"`
	}{version, append([]string{}, changes...)})
}

// readFile reads a file that a person named.
func readFile(file string, most int64) ([]byte, error) {
	in, err := os.Open(file) //nolint:gosec // the person names the file
	if err != nil {
		return nil, fault.New(fault.NotFound, "", "%w", err)
	}
	defer in.Close() //nolint:errcheck // only read
	text, err := io.ReadAll(io.LimitReader(in, most+1))
	if err != nil {
		return nil, fault.New(fault.NotFound, "", "%w", err)
	}
	if int64(len(text)) > most {
		return nil, fault.New(fault.Invalid, "", "%s has more than %d MiB, which no such file needs", file, most>>20)
	}
	return text, nil
}
