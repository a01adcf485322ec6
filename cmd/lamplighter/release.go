package main

import (
	"context"
	"strings"

	"google.golang.org/grpc"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// releaseCmd ends hushes.
type releaseCmd struct {
	serverFlag
	scopeFlags
}

// Help is shown by --help.
func (releaseCmd) Help() string {
	return `Ends the hushes that were given for exactly this scope: one that was given for a site is released with the same --site. Nothing else ends a hush. One that was given with --regulator ends when two people have released it within a day.

Example:

    lamplighter release --site hilltop --band 40m --reason "mast work is done"`
}

// Run ends them.
func (c *releaseCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewHushServiceClient(conn).Release(ctx, &apiv1.ReleaseRequest{Scope: c.scope(), Reason: c.Reason})
		if err != nil {
			return err
		}
		e.note("Released: %d.", answer.GetReleased())
		if waiting := answer.GetWaitingForSecond(); waiting > 0 {
			e.note("On a regulator's word: %d. You have agreed to lift it; a second person must release it too, within a day.", waiting)
		}
		if still := answer.GetStillHushed(); len(still) > 0 {
			e.note("Still silent, under another hush: %s.", strings.Join(still, ", "))
		}
		return nil
	})
}
