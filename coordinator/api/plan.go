package api

import (
	"context"

	"google.golang.org/protobuf/types/known/timestamppb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// planService shows the plan in force.
type planService struct {
	apiv1.UnimplementedPlanServiceServer
	options Options
}

// GetPlan shows the plan in force.
func (s *planService) GetPlan(ctx context.Context, _ *apiv1.GetPlanRequest) (*apiv1.GetPlanResponse, error) {
	saved, err := s.options.Store.LatestPlan(ctx)
	if err != nil || len(saved.JSON) == 0 {
		return &apiv1.GetPlanResponse{}, err
	}
	return &apiv1.GetPlanResponse{
		PlanJson: saved.JSON, MadeAt: timestamppb.New(saved.MadeAt), FleetVersion: saved.FleetVersion,
	}, nil
}
