package main

import (
	"context"

	"google.golang.org/grpc"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// agentConfigCmd writes an agent's configuration.
type agentConfigCmd struct {
	serverFlag
	Beacon string `arg:"" help:"The beacon's name in the fleet file."`
	File   string `short:"o" name:"out" placeholder:"FILE" help:"Write it to this file, readable by you alone."`
}

// Help is shown by --help.
func (agentConfigCmd) Help() string {
	return `The file holds all that the agent needs: where the broker is, who it is, whose signature counts, and what the licence allows. Bring it to the beacon's computer and start: lamplighter-agent run --config FILE

Example:

    lamplighter agent-config hilltop-hf -o hilltop-hf.yaml`
}

// Run asks and writes.
func (c *agentConfigCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewBeaconServiceClient(conn).GetAgentConfig(ctx, &apiv1.GetAgentConfigRequest{Beacon: c.Beacon})
		if err != nil {
			return err
		}
		return writeFile(e.stdout, c.File, 0o600, []byte(answer.GetYaml()))
	})
}
