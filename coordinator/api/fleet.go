package api

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/people/caller"
	"lamplighter/coordinator/store"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// fleetService shows and changes the fleet file in force.
type fleetService struct {
	apiv1.UnimplementedFleetServiceServer
	options Options
}

// read reads a fleet file that was sent; one with findings is refused whole.
func read(file, yaml string) (*fleet.Fleet, error) {
	if err := checkFile(file, yaml); err != nil {
		return nil, err
	}
	if file == "" {
		file = "fleet file"
	}
	next, err := fleet.Read(file, []byte(yaml))
	var findings fleet.Findings
	switch {
	case errors.As(err, &findings):
		return nil, fault.New(fault.Invalid, "yaml", "%s is refused whole, and what was in force stays. Findings: %d%w", file, len(findings), hidden{findings})
	case err != nil:
		return nil, fault.New(fault.Invalid, "yaml", "%w", err)
	}
	return next, nil
}

// hidden is an error that rides along and adds nothing to the sentence.
type hidden struct{ error }

func (hidden) Error() string   { return "" }
func (h hidden) Unwrap() error { return h.error }

// changes says what a fleet would change.
func (s *fleetService) changes(ctx context.Context, next *fleet.Fleet) ([]string, store.FleetVersion, error) {
	current, version, err := s.options.Fleets.Current(ctx)
	if err != nil {
		return nil, version, err
	}
	if current == nil {
		return []string{fmt.Sprintf("network %s: the first fleet file, with %d sites and %d beacons", next.Network.ID, len(next.Sites), len(next.Beacons))}, version, nil
	}
	var sentences []string
	for _, change := range fleet.Changes(current, next) {
		sentences = append(sentences, change.String())
	}
	return sentences, version, nil
}

// ApplyFleet puts a fleet file in force, whole or not at all.
func (s *fleetService) ApplyFleet(ctx context.Context, r *apiv1.ApplyFleetRequest) (*apiv1.ApplyFleetResponse, error) {
	if r.GetBasedOn() < 0 {
		return nil, fault.New(fault.Invalid, "based_on", "versions count from 1")
	}
	next, err := read(r.GetFile(), r.GetYaml())
	if err != nil {
		return nil, err
	}
	changes, _, err := s.changes(ctx, next)
	if err != nil {
		return nil, err
	}
	applied, err := s.options.Store.ApplyFleet(ctx, store.FleetVersion{
		Network: next.Network.ID, SlotSeconds: int64(next.Network.Slot),
		File: r.GetFile(), YAML: r.GetYaml(), AppliedBy: caller.From(ctx).Name,
	}, r.GetBasedOn())
	if err != nil {
		return nil, err
	}
	s.options.Applied()
	return &apiv1.ApplyFleetResponse{Version: applied.Version, Changes: changes, Warnings: findingMessages(next.Warnings)}, nil
}

// DiffFleet says what a fleet file would change, and changes nothing.
func (s *fleetService) DiffFleet(ctx context.Context, r *apiv1.DiffFleetRequest) (*apiv1.DiffFleetResponse, error) {
	next, err := read(r.GetFile(), r.GetYaml())
	if err != nil {
		return nil, err
	}
	changes, version, err := s.changes(ctx, next)
	if err != nil {
		return nil, err
	}
	return &apiv1.DiffFleetResponse{Version: version.Version, Changes: changes, Warnings: findingMessages(next.Warnings)}, nil
}

// GetFleet shows the fleet file in force.
func (s *fleetService) GetFleet(ctx context.Context, _ *apiv1.GetFleetRequest) (*apiv1.GetFleetResponse, error) {
	current, err := s.options.Store.CurrentFleet(ctx)
	if err != nil || current.Version == 0 {
		return &apiv1.GetFleetResponse{}, err
	}
	return &apiv1.GetFleetResponse{
		Version: current.Version, Yaml: current.YAML,
		AppliedAt: timestamppb.New(current.AppliedAt), AppliedBy: current.AppliedBy,
	}, nil
}
