package main

import (
	"context"

	"google.golang.org/grpc"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// revokeCmd turns a device out.
type revokeCmd struct {
	serverFlag
	Beacon string `arg:"" help:"The beacon's name."`
	Reason string `required:"" placeholder:"TEXT" help:"Why, for everybody who will ask. At most 500 characters."`
}

// Help is shown by --help.
func (revokeCmd) Help() string {
	return `The device is refused within seconds, its connection ends, and its key never counts again. It transmits until its lease ends at the latest: to silence it at once, hush it first.

Example:

    lamplighter hush --beacon hilltop-hf --reason "the computer was stolen"
    lamplighter revoke hilltop-hf --reason "the computer was stolen"`
}

// Run turns it out.
func (c *revokeCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		_, err := apiv1.NewDeviceServiceClient(conn).RevokeDevice(ctx, &apiv1.RevokeDeviceRequest{Beacon: c.Beacon, Reason: c.Reason})
		if err == nil {
			e.note("The device of %s is revoked for ever. To let another one in: lamplighter enrol %[1]s", c.Beacon)
		}
		return err
	})
}

// readmitCmd lets a device in again.
type readmitCmd struct {
	serverFlag
	Beacon string `arg:"" help:"The beacon's name."`
}

// Help is shown by --help.
func (readmitCmd) Help() string {
	return `For a device that was off for so long that its certificate is over, such as a school's after the summer: it asks by itself, and gets another certificate within ten minutes of this. After 180 days it has to be enrolled anew.

Example:

    lamplighter readmit school-vhf`
}

// Run lets it in.
func (c *readmitCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		_, err := apiv1.NewDeviceServiceClient(conn).ReadmitDevice(ctx, &apiv1.ReadmitDeviceRequest{Beacon: c.Beacon})
		if err == nil {
			e.note("The device of %s may renew its certificate within seven days.", c.Beacon)
		}
		return err
	})
}
