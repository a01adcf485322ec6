package main

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// enrolCmd lets a device in.
type enrolCmd struct {
	serverFlag
	Beacon  string `arg:"" help:"The beacon's name in the fleet file."`
	Replace bool   `help:"The beacon has a device already, which this one takes the place of. The first is revoked when the second is enrolled."`
}

// Help is shown by --help.
func (enrolCmd) Help() string {
	return `Prints a token that works once and for a day, and the line to type at the beacon. The device makes its key itself; by the token it knows the coordinator, and the coordinator the device.

Whoever has the token can become the beacon: tell it to the person at the beacon and to nobody else. A later token for the same beacon ends the one before.

Example:

    lamplighter enrol hilltop-hf`
}

// Run asks for leave and prints it.
func (c *enrolCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewDeviceServiceClient(conn).GivePermit(ctx, &apiv1.GivePermitRequest{Beacon: c.Beacon, Replace: c.Replace})
		if err != nil {
			return err
		}
		fmt.Fprintln(e.stdout, answer.GetToken())
		e.note("The token works once, until %s. Type at the beacon:\n\n    lamplighter-agent enrol --coordinator %s --config %s.yaml\n\nIt asks for the token then, so that the token stands in no list of processes and in no history.",
			answer.GetExpires().AsTime().Format(time.RFC3339), answer.GetAddress(), c.Beacon)
		return nil
	})
}
