package api

import (
	"context"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/store"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/setup"
	"lamplighter/proto/topic"
)

// Configs makes the configuration of a beacon's agent.
type Configs interface {
	AgentConfig(f *fleet.Fleet, version store.FleetVersion, beacon *fleet.Beacon) (*setup.File, error)
}

// watchEvery is how often a watcher is told at most.
const watchEvery = time.Second

// beaconService says how the beacons are.
type beaconService struct {
	apiv1.UnimplementedBeaconServiceServer
	options Options
	running context.Context //nolint:containedctx // ends the streams when the server stops
}

// ListBeacons lists every beacon with its state.
func (s *beaconService) ListBeacons(ctx context.Context, _ *apiv1.ListBeaconsRequest) (*apiv1.ListBeaconsResponse, error) {
	beacons, _, err := s.options.Store.Beacons(ctx, s.options.Fleets)
	return &apiv1.ListBeaconsResponse{Beacons: beacons}, err
}

// WatchBeacons lists them, and again each time something changes.
func (s *beaconService) WatchBeacons(_ *apiv1.WatchBeaconsRequest, stream grpc.ServerStreamingServer[apiv1.WatchBeaconsResponse]) error {
	again := time.NewTicker(watchEvery)
	defer again.Stop()
	var told *apiv1.WatchBeaconsResponse
	for {
		beacons, _, err := s.options.Store.Beacons(stream.Context(), s.options.Fleets)
		if err != nil {
			return err
		}
		if next := (&apiv1.WatchBeaconsResponse{Beacons: beacons}); told == nil || changed(told, next) {
			told = next
			if err := stream.Send(next); err != nil {
				return err
			}
		}
		select {
		case <-stream.Context().Done():
			return stream.Context().Err()
		case <-s.running.Done():
			return fault.New(fault.Unavailable, "", "the coordinator is stopping")
		case <-again.C:
		}
	}
}

// changed says whether anything but the growth of clock errors differs.
func changed(a, b *apiv1.WatchBeaconsResponse) bool {
	steady := func(r *apiv1.WatchBeaconsResponse) proto.Message {
		copied := proto.CloneOf(r)
		for _, beacon := range copied.GetBeacons() {
			beacon.ClockErrorSeconds = nil
		}
		return copied
	}
	return !proto.Equal(steady(a), steady(b))
}

// GetAgentConfig writes all that a beacon's agent needs.
func (s *beaconService) GetAgentConfig(ctx context.Context, r *apiv1.GetAgentConfigRequest) (*apiv1.GetAgentConfigResponse, error) {
	if err := topic.CheckID(r.GetBeacon()); err != nil {
		return nil, fault.New(fault.Invalid, "beacon", "%w", err)
	}
	current, version, err := s.options.Fleets.Current(ctx)
	if err != nil {
		return nil, err
	}
	if current == nil {
		return nil, nothingInForce()
	}
	beacon := current.Beacon(r.GetBeacon())
	if beacon == nil {
		return nil, unknown("beacon", "beacon", r.GetBeacon())
	}
	file, err := oncePossible(ctx, func() (*setup.File, error) { // right after the first fleet file the broker is starting
		return s.options.Configs.AgentConfig(current, version, beacon)
	})
	if err != nil {
		return nil, err
	}
	text, err := file.Encode()
	return &apiv1.GetAgentConfigResponse{Yaml: string(text)}, err
}
