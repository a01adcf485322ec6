package main

import (
	"context"
	"time"

	"google.golang.org/grpc"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// devicesCmd lists devices.
type devicesCmd struct {
	serverFlag
	outputFlag
	Events bool `help:"List what happened to them, the latest first."`
}

// Help is shown by --help.
func (devicesCmd) Help() string {
	return `The state is accepted, how near the end of the certificate is where it should have been renewed by now, over, or revoked.

Examples:

    lamplighter devices
    lamplighter devices --events --output json`
}

// deviceRow is one device, as it is printed.
type deviceRow struct {
	Beacon  string  `json:"beacon"`
	State   string  `json:"state"` // accepted, thirty_days, seven_days, one_day, over, revoked
	Ends    string  `json:"ends"`
	Revoked *string `json:"revoked"` // null: it was not
	Reason  string  `json:"reason"`
}

// eventRow is one event, as it is printed.
type eventRow struct {
	At       string `json:"at"`
	Beacon   string `json:"beacon"`
	Kind     string `json:"kind"`
	Sentence string `json:"sentence"`
	Remote   string `json:"remote"`
}

// Run asks and prints.
func (c *devicesCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		client := apiv1.NewDeviceServiceClient(conn)
		if c.Events {
			return c.events(ctx, e, client)
		}
		answer, err := client.ListDevices(ctx, &apiv1.ListDevicesRequest{})
		if err != nil {
			return err
		}
		rows, t := []deviceRow{}, table{columns: []string{"beacon", "state", "ends", "revoked", "reason"}}
		for _, d := range answer.GetDevices() {
			row := deviceRow{Beacon: d.GetBeacon(), State: "accepted", Ends: d.GetEnds().AsTime().Format(time.RFC3339), Revoked: timePointer(d.GetRevoked()), Reason: d.GetRevokeReason()}
			switch {
			case row.Revoked != nil:
				row.State = "revoked"
			case d.GetWarning() != "":
				row.State = d.GetWarning()
			}
			rows = append(rows, row)
			t.rows = append(t.rows, []string{row.Beacon, row.State, row.Ends, show(row.Revoked), row.Reason})
		}
		return c.write(e.stdout, t, rows)
	})
}

func (c *devicesCmd) events(ctx context.Context, e *environment, client apiv1.DeviceServiceClient) error {
	answer, err := client.ListDeviceEvents(ctx, &apiv1.ListDeviceEventsRequest{})
	if err != nil {
		return err
	}
	rows, t := []eventRow{}, table{columns: []string{"at", "beacon", "kind", "sentence", "remote"}}
	for _, event := range answer.GetEvents() {
		row := eventRow{At: event.GetAt().AsTime().Format(time.RFC3339), Beacon: event.GetBeacon(), Kind: event.GetKind(), Sentence: event.GetSentence(), Remote: event.GetRemote()}
		rows = append(rows, row)
		t.rows = append(t.rows, []string{row.At, row.Beacon, row.Kind, row.Sentence, row.Remote})
	}
	return c.write(e.stdout, t, rows)
}
