package console_test

import (
	"context"
	"time"

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
