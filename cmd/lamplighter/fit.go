package main

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/grpc"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// fitCmd says which plug-in filter is in place at a beacon.
type fitCmd struct {
	serverFlag
	outputFlag
	Beacon string `arg:"" help:"The beacon."`
	Filter string `arg:"" help:"The plug-in filter that is in place now."`
	By     string `required:"" placeholder:"NAME" help:"Who put it in."`
}

// Help is shown by --help.
func (fitCmd) Help() string {
	return `Only bands that the filter in place passes are planned, so say so as soon as another one is put in. It becomes a new version of the fleet file, which names who put it in, and the plan is made anew. Write the same into your own copy of the file, or fetch it with: lamplighter fleet show

Example:

    lamplighter fit mill-hf lp-40 --by "the warden"`
}

// maxBy is how long a name may be.
const maxBy = 64

// Run edits the fleet file in force and applies it.
func (c *fitCmd) Run(e *environment) error {
	if len(c.By) == 0 || len(c.By) > maxBy {
		return fault.New(fault.Invalid, "by", "write who put it in, with at most %d letters", maxBy)
	}
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		service := apiv1.NewFleetServiceClient(conn)
		current, err := service.GetFleet(ctx, &apiv1.GetFleetRequest{})
		if err != nil {
			return err
		}
		if current.GetVersion() == 0 {
			return fault.New(fault.NotFound, "", "no fleet file is in force yet")
		}
		edited, err := fleet.Fit(current.GetYaml(), c.Beacon, c.Filter)
		var findings fleet.Findings
		switch {
		case errors.As(err, &findings):
			return fault.New(fault.Refused, "", "version %d of the fleet file can't be read by this program: use the coordinator's release of it", current.GetVersion())
		case err != nil:
			return fault.New(fault.Invalid, "filter", "%w", err)
		}
		if edited == current.GetYaml() {
			e.note("It is in place already, says version %d.", current.GetVersion())
			return c.writeChanges(e.stdout, current.GetVersion(), nil)
		}
		answer, err := service.ApplyFleet(ctx, &apiv1.ApplyFleetRequest{
			File: fmt.Sprintf("%s fitted to %s by %s", c.Filter, c.Beacon, c.By), Yaml: edited, BasedOn: current.GetVersion(),
		})
		if err != nil {
			return err
		}
		e.note("Version %d is in force, and the plan is made anew.", answer.GetVersion())
		return c.writeChanges(e.stdout, answer.GetVersion(), answer.GetChanges())
	})
}
