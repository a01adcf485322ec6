package api

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people"
	"lamplighter/coordinator/people/caller"
	"lamplighter/coordinator/people/duty"
	"lamplighter/coordinator/store"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// dutyService says who is in control of a site, and puts callers in control.
type dutyService struct {
	apiv1.UnimplementedDutyServiceServer
	options Options
}

// GetDuty shows who is in control of each site, and who is to be.
func (s *dutyService) GetDuty(ctx context.Context, _ *apiv1.GetDutyRequest) (*apiv1.GetDutyResponse, error) {
	current, _, err := s.options.Fleets.Current(ctx)
	if err != nil || current == nil {
		return &apiv1.GetDutyResponse{}, err
	}
	present, err := s.options.Store.InControl(ctx)
	if err != nil {
		return nil, err
	}
	roster, err := s.options.Store.Roster(ctx)
	if err != nil {
		return nil, err
	}
	answer := &apiv1.GetDutyResponse{}
	for _, site := range current.Sites {
		shown := &apiv1.SiteDuty{Site: site.Name, Required: site.DutyRequired}
		if p, ok := present[site.Name]; ok {
			shown.Present = periodMessage(p)
		}
		for _, t := range roster {
			if t.Site == site.Name {
				shown.Roster = append(shown.Roster, turnMessage(t))
			}
		}
		answer.Sites = append(answer.Sites, shown)
	}
	return answer, nil
}

func periodMessage(p duty.Period) *apiv1.DutyPeriod {
	return &apiv1.DutyPeriod{
		Person: p.Person, Contact: p.Contact, Since: timestamppb.New(p.Started), Until: timestamppb.New(p.Until),
		ConfirmBy: timestamppb.New(p.End()),
	}
}

func turnMessage(t store.RosterTurn) *apiv1.Turn {
	return &apiv1.Turn{
		Entry: t.Entry, Person: t.Person, Contact: t.Contact, From: timestamppb.New(t.From), Until: timestamppb.New(t.Until),
		AskedAt: optionalTime(&t.Asked),
	}
}

// site says what is wrong with the name of a site.
func (s *dutyService) site(ctx context.Context, name string) error {
	current, _, err := s.options.Fleets.Current(ctx)
	switch {
	case err != nil:
		return err
	case current == nil:
		return nothingInForce()
	case current.Site(name) == nil:
		return unknown("site", "site", name)
	}
	return nil
}

// StartDuty puts the caller in control of a site.
func (s *dutyService) StartDuty(ctx context.Context, r *apiv1.StartDutyRequest) (*apiv1.StartDutyResponse, error) {
	if err := s.site(ctx, r.GetSite()); err != nil {
		return nil, err
	}
	lasts, err := checkedLength("lasts", r.GetLasts(), duty.Longest, duty.Longest)
	if err != nil {
		return nil, fault.New(fault.Invalid, "lasts", "%s", duty.TooLong.Sentence())
	}
	who := caller.From(ctx)
	contact, err := s.contact(ctx, who.Name)
	if err != nil {
		return nil, err
	}
	var next, before duty.Period
	err = s.options.Store.ChangeDuty(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
		if before, err = tx.InControl(ctx, r.GetSite()); err != nil {
			return err
		}
		var reason duty.Reason
		if next, reason = duty.Start(r.GetSite(), who.Name, contact, lasts, tx.Now); reason != duty.Fine {
			return fault.New(fault.Invalid, "lasts", "%s", reason.Sentence())
		}
		return tx.StartPeriod(ctx, next)
	})
	if err != nil {
		return nil, err
	}
	noteBefore(ctx, before)
	return &apiv1.StartDutyResponse{Period: periodMessage(next)}, nil
}

// contact is how to reach somebody, empty where they have no account.
func (s *dutyService) contact(ctx context.Context, name string) (string, error) {
	account, err := s.options.Store.Account(ctx, name)
	if err != nil || account == nil {
		return "", err
	}
	return account.Contact, nil
}

// noteBefore lets the trail say who was in control before.
func noteBefore(ctx context.Context, p duty.Period) {
	if p.Site != "" {
		note(ctx, "before", map[string]any{"person": p.Person, "since": p.Started.Format(time.RFC3339), "until": p.End().Format(time.RFC3339)})
	}
}

// ConfirmDuty says that the caller is still there.
func (s *dutyService) ConfirmDuty(ctx context.Context, r *apiv1.ConfirmDutyRequest) (*apiv1.ConfirmDutyResponse, error) {
	var period duty.Period
	err := s.options.Store.ChangeDuty(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
		if period, err = tx.LatestPeriod(ctx, r.GetSite()); err != nil {
			return err
		}
		var reason duty.Reason
		if period, reason = duty.Confirmation(period, caller.From(ctx).Name, tx.Now); reason != duty.Fine {
			return fault.New(fault.Refused, "site", "%s", reason.Sentence())
		}
		return tx.ConfirmPeriod(ctx, period)
	})
	if err != nil {
		return nil, err
	}
	return &apiv1.ConfirmDutyResponse{Period: periodMessage(period)}, nil
}

// EndDuty ends the caller's duty, or, by an admin, anybody's.
func (s *dutyService) EndDuty(ctx context.Context, r *apiv1.EndDutyRequest) (*apiv1.EndDutyResponse, error) {
	var before duty.Period
	err := s.options.Store.ChangeDuty(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
		if before, err = tx.InControl(ctx, r.GetSite()); err != nil {
			return err
		}
		switch {
		case before.Site == "":
			return fault.New(fault.Refused, "site", "nobody is in control of this site")
		case before.Person != caller.From(ctx).Name && caller.May(ctx, people.ManagePeople, "") != people.Allowed:
			return fault.New(fault.Refused, "site", "%s", duty.NotTheirs.Sentence())
		}
		return tx.EndPeriod(ctx, before)
	})
	if err != nil {
		return nil, err
	}
	noteBefore(ctx, before)
	return &apiv1.EndDutyResponse{}, nil
}

// AddTurn puts somebody's turn on a site's roster.
func (s *dutyService) AddTurn(ctx context.Context, r *apiv1.AddTurnRequest) (*apiv1.AddTurnResponse, error) {
	if err := s.site(ctx, r.GetSite()); err != nil {
		return nil, err
	}
	name := r.GetPerson()
	if name == "" {
		name = caller.From(ctx).Name
	}
	account, err := s.options.Store.Account(ctx, name)
	if err != nil {
		return nil, err
	}
	if account == nil || people.May(account.Person(), people.TakeDuty, r.GetSite()) == people.RoleTooLow ||
		people.May(account.Person(), people.TakeDuty, r.GetSite()) == people.OtherSite {
		return nil, fault.New(fault.Refused, "person", "%.64q has no account that may be in control of this site", name)
	}
	from, err := checkedTime("from", r.GetFrom())
	if err != nil {
		return nil, err
	}
	until, err := checkedTime("until", r.GetUntil())
	if err != nil {
		return nil, err
	}
	now, err := s.options.Store.Now(ctx)
	if err != nil {
		return nil, err
	}
	turn := duty.Turn{Site: r.GetSite(), Person: name, From: from, Until: until}
	if reason := turn.Check(now); reason != duty.Fine {
		return nil, fault.New(fault.Invalid, "from", "%s", reason.Sentence())
	}
	entry, err := s.options.Store.AddTurn(ctx, turn)
	return &apiv1.AddTurnResponse{Entry: entry}, err
}

// RemoveTurn takes a turn off a roster.
func (s *dutyService) RemoveTurn(ctx context.Context, r *apiv1.RemoveTurnRequest) (*apiv1.RemoveTurnResponse, error) {
	removed, err := s.options.Store.RemoveTurn(ctx, r.GetEntry(), r.GetSite())
	if err == nil && !removed {
		err = fault.New(fault.NotFound, "entry", "the roster of site %.64q has no entry %d; lamplighter duty show lists them", r.GetSite(), r.GetEntry())
	}
	return &apiv1.RemoveTurnResponse{}, err
}
