package api

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/devices"
	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people/caller"
	"lamplighter/coordinator/store"
	"lamplighter/proto/enrolment"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/topic"
)

// Devices lets devices in and turns them out; a registrar does.
type Devices interface {
	Permit(ctx context.Context, beacon string, replace bool, by string) (enrolment.Token, time.Time, error)
	Revoke(ctx context.Context, beacon, by, reason string) error
	Readmit(ctx context.Context, beacon, by string) error
}

// maxEvents is how many events are listed.
const maxEvents = 200

// deviceService decides which devices may speak.
type deviceService struct {
	apiv1.UnimplementedDeviceServiceServer
	options Options
}

// GivePermit lets one device be enrolled.
func (s *deviceService) GivePermit(ctx context.Context, r *apiv1.GivePermitRequest) (*apiv1.GivePermitResponse, error) {
	if err := topic.CheckID(r.GetBeacon()); err != nil {
		return nil, fault.New(fault.Invalid, "beacon", "%w", err)
	}
	current, _, err := s.options.Fleets.Current(ctx)
	switch {
	case err != nil:
		return nil, err
	case current == nil:
		return nil, nothingInForce()
	case !current.HasDevice(r.GetBeacon()):
		return nil, unknown("beacon", "beacon", r.GetBeacon())
	case s.options.DeviceAddress() == "":
		return nil, fault.New(fault.Refused, "", "this coordinator lets no devices in: start it with --tls, and see --host and --devices")
	}
	token, expires, err := s.options.Devices.Permit(ctx, r.GetBeacon(), r.GetReplace(), caller.From(ctx).Name)
	if err != nil {
		return nil, err
	}
	return &apiv1.GivePermitResponse{Token: token.Words(), Expires: timestamppb.New(expires), Address: s.options.DeviceAddress()}, nil
}

// ListDevices lists the latest certificate of each beacon.
func (s *deviceService) ListDevices(ctx context.Context, _ *apiv1.ListDevicesRequest) (*apiv1.ListDevicesResponse, error) {
	all, err := s.options.Store.DeviceCertificates(ctx)
	if err != nil {
		return nil, err
	}
	now := time.Now()
	answer := &apiv1.ListDevicesResponse{}
	for i, c := range all {
		if i+1 < len(all) && all[i+1].Beacon == c.Beacon {
			continue // a later one follows
		}
		answer.Devices = append(answer.Devices, deviceMessage(c, now))
	}
	return answer, nil
}

func deviceMessage(c store.DeviceCertificate, now time.Time) *apiv1.Device {
	d := &apiv1.Device{Beacon: c.Beacon, Serial: c.Serial, Issued: timestamppb.New(c.IssuedAt), Ends: timestamppb.New(c.NotAfter)}
	if c.RevokedAt != nil {
		d.Revoked = timestamppb.New(*c.RevokedAt)
		d.RevokeReason = *c.RevokeReason
		return d
	}
	d.Warning = string(devices.WarningFor(c.NotAfter, now))
	return d
}

// RevokeDevice ends a device.
func (s *deviceService) RevokeDevice(ctx context.Context, r *apiv1.RevokeDeviceRequest) (*apiv1.RevokeDeviceResponse, error) {
	if err := checkReason(r.GetReason()); err != nil {
		return nil, err
	}
	return &apiv1.RevokeDeviceResponse{}, s.options.Devices.Revoke(ctx, r.GetBeacon(), caller.From(ctx).Name, r.GetReason())
}

// ReadmitDevice lets a device renew.
func (s *deviceService) ReadmitDevice(ctx context.Context, r *apiv1.ReadmitDeviceRequest) (*apiv1.ReadmitDeviceResponse, error) {
	return &apiv1.ReadmitDeviceResponse{}, s.options.Devices.Readmit(ctx, r.GetBeacon(), caller.From(ctx).Name)
}

// ListDeviceEvents lists what happened.
func (s *deviceService) ListDeviceEvents(ctx context.Context, _ *apiv1.ListDeviceEventsRequest) (*apiv1.ListDeviceEventsResponse, error) {
	all, err := s.options.Store.DeviceEvents(ctx, maxEvents)
	if err != nil {
		return nil, err
	}
	answer := &apiv1.ListDeviceEventsResponse{}
	for _, e := range all {
		answer.Events = append(answer.Events, &apiv1.DeviceEvent{At: timestamppb.New(e.At), Beacon: e.Beacon, Kind: e.Kind, Sentence: e.Sentence, Remote: e.Remote})
	}
	return answer, nil
}
