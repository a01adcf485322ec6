package api

import (
	"context"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/heard"
	"lamplighter/coordinator/reporting"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// The bounds of what is told of receptions.
const (
	mostUnmatched = 1000
	mostRefused   = 100
)

// heardService takes in what receivers report.
type heardService struct {
	apiv1.UnimplementedHeardServiceServer
	reporter reporting.Reporter
}

// AddReceptions takes in a file of reports.
func (s *heardService) AddReceptions(ctx context.Context, r *apiv1.AddReceptionsRequest) (*apiv1.AddReceptionsResponse, error) {
	added, err := s.reporter.AddReceptions(ctx, reporting.Source{Way: "upload"}, r.GetForm(), r.GetFile())
	if err != nil {
		return nil, err
	}
	told := &apiv1.AddReceptionsResponse{
		Matched: added.Matched, Unmatched: added.Unmatched, Known: added.Known, RefusedCount: int64(len(added.Refused)),
	}
	for _, refused := range added.Refused[:min(mostRefused, len(added.Refused))] {
		told.Refused = append(told.Refused, &apiv1.RefusedReception{Line: int64(refused.Line), Sentence: refused.Sentence})
	}
	return told, nil
}

// ListUnmatched lists reports that match no transmission.
func (s *heardService) ListUnmatched(ctx context.Context, r *apiv1.ListUnmatchedRequest) (*apiv1.ListUnmatchedResponse, error) {
	from, to, err := span(r.GetFrom(), r.GetTo(), reporting.LongestPeriod)
	if err != nil {
		return nil, err
	}
	receptions, err := s.reporter.Store.UnmatchedReceptions(ctx, from, to, mostUnmatched)
	if err != nil {
		return nil, err
	}
	told := &apiv1.ListUnmatchedResponse{}
	for _, one := range receptions {
		told.Receptions = append(told.Receptions, &apiv1.UnmatchedReception{
			Start: timestamppb.New(one.StartAt), Callsign: one.Callsign, Band: one.Band, FrequencyHz: float64(one.FrequencyMillihertz) / 1000,
			Receiver: one.Receiver, ReceiverLocator: one.ReceiverLocator, Reason: one.Reason,
		})
	}
	return told, nil
}

// ProposeCorrections proposes corrections of frequencies.
func (s *heardService) ProposeCorrections(ctx context.Context, r *apiv1.ProposeCorrectionsRequest) (*apiv1.ProposeCorrectionsResponse, error) {
	from, to, err := span(r.GetFrom(), r.GetTo(), reporting.LongestPeriod)
	if err != nil {
		return nil, err
	}
	corrections, err := s.reporter.Corrections(ctx, from, to)
	if err != nil {
		return nil, err
	}
	told := &apiv1.ProposeCorrectionsResponse{}
	for _, c := range corrections {
		told.Corrections = append(told.Corrections, correction(c))
	}
	return told, nil
}

func correction(c heard.Correction) *apiv1.Correction {
	told := &apiv1.Correction{Beacon: c.Beacon, Band: c.Band, Receivers: c.Receivers, Reports: c.Reports}
	if c.Enough {
		told.MedianPpb, told.SpreadPpb = proto.Float64(c.MedianPPB), proto.Float64(c.SpreadPPB)
	}
	return told
}
