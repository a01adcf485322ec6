package api

import (
	"bytes"
	"context"
	"crypto/sha256"

	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people/trail"
	"lamplighter/coordinator/store"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// How many entries of the trail an answer has.
const (
	usualEntries = 100
	mostEntries  = 1000
)

// auditService shows the trail.
type auditService struct {
	apiv1.UnimplementedAuditServiceServer
	options Options
}

// ListEntries lists entries that fit, the latest first.
func (s *auditService) ListEntries(ctx context.Context, r *apiv1.ListEntriesRequest) (*apiv1.ListEntriesResponse, error) {
	search := store.TrailSearch{
		Person: r.GetPerson(), Action: r.GetAction(), Site: r.GetSite(), Outcome: r.GetOutcome(), Text: r.GetText(),
		Before: r.GetBefore(), Most: int(r.GetMost()),
	}
	for field, text := range map[string]string{"person": search.Person, "action": search.Action, "site": search.Site, "outcome": search.Outcome, "text": search.Text} {
		if len(text) > maxReasonRune {
			return nil, fault.New(fault.Invalid, field, "nothing to look for has more than %d characters", maxReasonRune)
		}
	}
	if search.Most == 0 {
		search.Most = usualEntries
	}
	if search.Most < 0 || search.Most > mostEntries || search.Before < 0 {
		return nil, fault.New(fault.Invalid, "most", "1 to %d entries at once, before a number above 0", mostEntries)
	}
	var err error
	if search.Since, err = checkedTime("since", r.GetSince()); err != nil {
		return nil, err
	}
	if search.Until, err = checkedTime("until", r.GetUntil()); err != nil {
		return nil, err
	}
	entries, err := s.options.Store.Trail(ctx, search)
	answer := &apiv1.ListEntriesResponse{}
	for _, e := range entries {
		answer.Entries = append(answer.Entries, &apiv1.TrailEntry{
			Number: e.Number, At: timestamppb.New(e.At), Person: e.Person, From: e.From, Via: e.Via, Action: e.Action,
			Site: e.Site, Outcome: string(e.Outcome), Details: e.Details, Digest: e.Digest,
		})
	}
	return answer, err
}

// VerifyTrail checks that no entry was changed, removed or put in.
func (s *auditService) VerifyTrail(ctx context.Context, r *apiv1.VerifyTrailRequest) (*apiv1.VerifyTrailResponse, error) {
	noted := r.GetNotedNumber()
	if noted < 0 || (noted == 0) != (len(r.GetNotedDigest()) == 0) || noted > 0 && len(r.GetNotedDigest()) != sha256.Size {
		return nil, fault.New(fault.Invalid, "noted_digest", "the number of an entry and its digest of %d bytes, as an earlier check has told them", sha256.Size)
	}
	var checker trail.Checker
	reason := trail.Whole
	err := s.options.Store.WalkTrail(ctx, func(e trail.Entry) bool {
		if reason = checker.Next(e); reason == trail.Whole && e.Number == noted && !bytes.Equal(e.Digest, r.GetNotedDigest()) {
			reason = trail.Differs
		}
		return reason != trail.Whole
	})
	if err != nil {
		return nil, err
	}
	if reason == trail.Whole && noted > checker.Count {
		reason = trail.CutShort
	}
	return &apiv1.VerifyTrailResponse{Entries: checker.Count, Head: checker.Head, Reason: string(reason)}, nil
}
