package console_test

import (
	"context"
	"time"

	"google.golang.org/grpc/codes"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// ListDevices tells of a certificate that ends soon.
func (s *stage) ListDevices(context.Context, *apiv1.ListDevicesRequest) (*apiv1.ListDevicesResponse, error) {
	return &apiv1.ListDevicesResponse{Devices: []*apiv1.Device{{
		Beacon: "hilltop-hf", Serial: "5f3a09c1d2", Issued: timestamppb.New(began.Add(-80 * 24 * time.Hour)), Ends: timestamppb.New(began.Add(9 * 24 * time.Hour)), Warning: "thirty_days",
	}}}, nil
}

// ListDeviceEvents tells how it came.
func (s *stage) ListDeviceEvents(context.Context, *apiv1.ListDeviceEventsRequest) (*apiv1.ListDeviceEventsResponse, error) {
	return &apiv1.ListDeviceEventsResponse{Events: []*apiv1.DeviceEvent{
		{At: timestamppb.New(began.Add(-time.Hour)), Beacon: "mill-a", Kind: "cloned", Sentence: "two devices use one identity"},
		{At: timestamppb.New(began.Add(-80 * 24 * time.Hour)), Beacon: "hilltop-hf", Kind: "enrolled", Sentence: "a device was enrolled"},
	}}, nil
}

// GivePermit lets in whom the test wants; at first it is as without certificates.
func (s *stage) GivePermit(_ context.Context, r *apiv1.GivePermitRequest) (*apiv1.GivePermitResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.letIn != r.GetBeacon() {
		return nil, grpcstatus.Error(codes.FailedPrecondition, "this coordinator lets no devices in: start it with --tls, and see --host and --devices")
	}
	return &apiv1.GivePermitResponse{Token: "amber-quay-lantern", Expires: timestamppb.New(began.Add(24 * time.Hour)), Address: "192.0.2.9:7642"}, nil
}

// lets lets a device in for a beacon from now on.
func (s *stage) lets(beacon string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.letIn = beacon
}
