package api

import (
	"context"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/dispatch"
	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/people/caller"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// Hushes gives and ends hushes.
type Hushes interface {
	Give(ctx context.Context, order dispatch.HushOrder) (dispatch.Given, error)
	Confirmations(ctx context.Context, hush int64) ([]dispatch.Confirmation, error)
	Confirmed(ctx context.Context, hush int64, beacons []string) ([]dispatch.Confirmation, error)
	Release(ctx context.Context, scope fleet.Scope, reason, by string) (dispatch.Released, error)
}

// How long a hush waits for confirmations, and how often it looks.
const (
	confirmWithin = 5 * time.Second
	lookAgain     = 25 * time.Millisecond
)

// hushService orders silence.
type hushService struct {
	apiv1.UnimplementedHushServiceServer
	options Options
}

// scope is the scope of a request, checked against the fleet in force.
func (s *hushService) scope(ctx context.Context, asked *apiv1.HushedScope) (fleet.Scope, error) {
	current, err := s.options.Fleets.Soon(ctx)
	if err != nil {
		return fleet.Scope{}, err
	}
	if current == nil {
		return fleet.Scope{}, nothingInForce()
	}
	return checkedScope(current, asked)
}

// Hush orders silence and tells of each beacon as it confirms.
func (s *hushService) Hush(r *apiv1.HushRequest, stream grpc.ServerStreamingServer[apiv1.HushResponse]) error {
	ctx := stream.Context()
	if err := checkReason(r.GetReason()); err != nil {
		return err
	}
	scope, err := s.scope(ctx, r.GetScope())
	if err != nil {
		return err
	}
	remindAt, err := checkedTime("remind_at", r.GetRemindAt())
	if err != nil {
		return err
	}
	order := dispatch.HushOrder{Scope: scope, Reason: r.GetReason(), By: caller.From(ctx).Name, RemindAt: remindAt, Regulator: r.GetRegulator()}
	given, err := oncePossible(ctx, func() (dispatch.Given, error) { return s.options.Hushes.Give(ctx, order) })
	if err != nil {
		return err
	}
	ahead := given.Hush == 0
	if err := stream.Send(&apiv1.HushResponse{Hush: given.Hush, Beacons: int32(len(given.Beacons)), Ahead: ahead}); err != nil || ahead {
		return err // what beacons confirm is in the database
	}
	return follow(ctx, s.options.Hushes, given, stream.Send)
}

// follow tells of each beacon once: when it confirms, or at the end.
func follow(ctx context.Context, hushes Hushes, given dispatch.Given, tell func(*apiv1.HushResponse) error) error {
	end := time.NewTimer(confirmWithin)
	defer end.Stop()
	told, waiting := map[string]bool{}, slices.Clone(given.Beacons)
	look := hushes.Confirmed
	for over := false; ; {
		began := time.Now()
		confirmations, err := look(ctx, given.Hush, waiting)
		if err != nil {
			return err
		}
		took := time.Since(began)
		for _, c := range confirmations {
			if told[c.Beacon] {
				continue
			}
			told[c.Beacon] = true
			if err := tell(step(given, c)); err != nil {
				return err
			}
		}
		waiting = slices.DeleteFunc(waiting, func(beacon string) bool { return told[beacon] })
		if over || len(waiting) == 0 {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-end.C: // now of all, with the ends of their leases
			over = true
			look = func(ctx context.Context, hush int64, _ []string) ([]dispatch.Confirmation, error) {
				return hushes.Confirmations(ctx, hush)
			}
		case <-time.After(max(lookAgain, took)): // of thousands it costs the database something
		}
	}
}

func step(given dispatch.Given, c dispatch.Confirmation) *apiv1.HushResponse {
	told := &apiv1.HushResponse{
		Hush: given.Hush, Beacons: int32(len(given.Beacons)), Beacon: c.Beacon, Site: c.Site, Confirmed: c.Confirmed,
	}
	switch {
	case c.Confirmed:
		told.AfterSeconds = max(0, c.At.Sub(given.At).Seconds())
	case c.SilentBy.After(given.At):
		told.SilentBy = timestamppb.New(c.SilentBy)
	}
	return told
}

// Release ends the hushes given for exactly a scope. The scope may name what
// has left the fleet since.
func (s *hushService) Release(ctx context.Context, r *apiv1.ReleaseRequest) (*apiv1.ReleaseResponse, error) {
	if err := checkReason(r.GetReason()); err != nil {
		return nil, err
	}
	scope := fleet.Scope{Site: r.GetScope().GetSite(), Beacon: r.GetScope().GetBeacon(), Band: r.GetScope().GetBand()}
	for field, name := range map[string]string{"scope.site": scope.Site, "scope.beacon": scope.Beacon, "scope.band": scope.Band} {
		if len(name) > maxID {
			return nil, fault.New(fault.Invalid, field, "no name has more than %d characters", maxID)
		}
	}
	released, err := oncePossible(ctx, func() (dispatch.Released, error) {
		return s.options.Hushes.Release(ctx, scope, r.GetReason(), caller.From(ctx).Name)
	})
	if err != nil {
		return nil, err
	}
	if released.Count == 0 && released.Waiting == 0 {
		return nil, s.nothingToRelease(ctx)
	}
	return &apiv1.ReleaseResponse{Released: int32(released.Count), StillHushed: released.StillHushed, WaitingForSecond: int32(released.Waiting)}, nil
}

// nothingToRelease says which hushes are in force instead.
func (s *hushService) nothingToRelease(ctx context.Context) error {
	hushes, err := s.options.Store.Hushes(ctx)
	if err != nil {
		return err
	}
	given := []string{}
	for _, h := range hushes {
		given = append(given, fleet.Scope{Site: h.Site, Beacon: h.Beacon, Band: h.Band}.String())
	}
	if len(given) == 0 {
		return fault.New(fault.NotFound, "scope", "no hush is in force")
	}
	return fault.New(fault.NotFound, "scope", "no hush was given for exactly this; in force are: %s", strings.Join(slices.Compact(given), "; "))
}

// ListHushes lists the hushes in force, oldest first.
func (s *hushService) ListHushes(ctx context.Context, _ *apiv1.ListHushesRequest) (*apiv1.ListHushesResponse, error) {
	hushes, err := s.options.Store.Hushes(ctx)
	if err != nil {
		return nil, err
	}
	answer := &apiv1.ListHushesResponse{}
	for _, h := range hushes {
		shown := &apiv1.HushInForce{
			Hush: h.Hush, Scope: &apiv1.HushedScope{Site: h.Site, Beacon: h.Beacon, Band: h.Band},
			Reason: h.Reason, GivenBy: h.GivenBy, Since: timestamppb.New(h.GivenAt), Regulator: h.Regulator, LiftedBy: h.LiftedBy,
		}
		if h.RemindAt != nil {
			shown.RemindAt = timestamppb.New(*h.RemindAt)
		}
		answer.Hushes = append(answer.Hushes, shown)
	}
	return answer, nil
}
