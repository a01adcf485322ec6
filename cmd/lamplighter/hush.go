package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// scopeFlags says what is to be silent, or no longer.
type scopeFlags struct {
	Site   string `xor:"place" placeholder:"SITE" help:"Only the beacons of this site."`
	Beacon string `xor:"place" placeholder:"BEACON" help:"Only this beacon."`
	Band   string `placeholder:"BAND" help:"Only this band, such as 40m."`
	Reason string `required:"" placeholder:"TEXT" help:"Why, for everybody who will ask. At most 500 characters."`
}

func (s scopeFlags) scope() *apiv1.HushedScope {
	return &apiv1.HushedScope{Site: s.Site, Beacon: s.Beacon, Band: s.Band}
}

// hushCmd stops transmitters.
type hushCmd struct {
	serverFlag
	scopeFlags
	outputFlag
	Regulator bool     `help:"A regulator has asked for it: two people must release it."`
	Until     *instant `placeholder:"TIME" help:"When to remind you that it is still in force. It never resumes by itself."`
}

// Help is shown by --help.
func (hushCmd) Help() string {
	return `Without --site, --beacon or --band the whole network falls silent, within a second, in the middle of a transmission too. It stays silent, over restarts as well, until you end it with: lamplighter release

The command waits up to five seconds and says of each beacon whether its transmitter has confirmed silence. For one that has not, it says by when it is silent at the latest. The exit code is 0 only if all have confirmed.

Examples:

    lamplighter hush --reason "interference reported on 40 m"
    lamplighter hush --site hilltop --band 40m --reason "mast work" --until 2026-12-01T18:00:00Z`
}

// hushResult is what became of one beacon.
type hushResult struct {
	Site         string   `json:"site"`
	Beacon       string   `json:"beacon"`
	Confirmed    bool     `json:"confirmed"`
	AfterSeconds *float64 `json:"after_seconds"` // null: not confirmed
	SilentBy     *string  `json:"silent_by"`     // null: confirmed, or it holds no lease
}

// Run orders silence and tells what became of it.
func (c *hushCmd) Run(e *environment) error {
	request := &apiv1.HushRequest{Scope: c.scope(), Reason: c.Reason, Regulator: c.Regulator}
	if c.Until != nil {
		request.RemindAt = timestamppb.New(c.Until.Time)
	}
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		stream, err := apiv1.NewHushServiceClient(conn).Hush(ctx, request)
		if err != nil {
			return err
		}
		results, err := c.follow(e, stream)
		if err != nil {
			return err
		}
		if err := c.write(e.stdout, hushTable(results), results); err != nil {
			return err
		}
		return judge(e, results)
	})
}

// follow collects the steps of a hush until it is over.
func (c *hushCmd) follow(e *environment, stream grpc.ServerStreamingClient[apiv1.HushResponse]) ([]hushResult, error) {
	results := []hushResult{}
	for {
		step, err := stream.Recv()
		switch {
		case errors.Is(err, io.EOF):
			return results, nil
		case err != nil:
			return nil, err
		case step.GetAhead():
			e.note("The database does not answer. The order went out to %d beacons ahead of it, and is stored as soon as it does: leave the coordinator running until then.", step.GetBeacons())
			e.note("Whether they are silent can't be seen here now. Listen, and have the supply cut of a transmitter that goes on.")
			return nil, errTold
		case step.GetBeacon() == "":
			e.note("Hush %d is in force for %d beacons; waiting for them to confirm silence.", step.GetHush(), step.GetBeacons())
			continue
		}
		result := hushResult{Site: step.GetSite(), Beacon: step.GetBeacon(), Confirmed: step.GetConfirmed(), SilentBy: timePointer(step.GetSilentBy())}
		if result.Confirmed {
			after := step.GetAfterSeconds()
			result.AfterSeconds = &after
		}
		results = append(results, result)
	}
}

func hushTable(results []hushResult) table {
	t := table{columns: []string{"site", "beacon", "confirmed", "after_seconds", "silent_by"}}
	for _, r := range results {
		t.rows = append(t.rows, []string{r.Site, r.Beacon, fmt.Sprint(r.Confirmed), seconds(r.AfterSeconds), show(r.SilentBy)})
	}
	return t
}

// judge fails unless every beacon has confirmed.
func judge(e *environment, results []hushResult) error {
	missing := 0
	for _, r := range results {
		if r.Confirmed {
			continue
		}
		missing++
		if r.SilentBy == nil {
			e.note("%s has not confirmed. It holds no lease, so it may not transmit.", r.Beacon)
			continue
		}
		e.note("%s has not confirmed. It falls silent by %s at the latest, when its lease ends.", r.Beacon, *r.SilentBy)
	}
	if missing > 0 {
		e.note("%d of %d beacons have not confirmed silence. The hush stays in force and reaches them when they are heard again.", missing, len(results))
		return errTold
	}
	return nil
}
