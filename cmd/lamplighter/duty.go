package main

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// dutyCmd is about who is in control of a site.
type dutyCmd struct {
	Show    dutyShowCmd    `cmd:"" help:"Say who is in control of each site, and who is to be."`
	Start   dutyStartCmd   `cmd:"" help:"Take control of a site."`
	Confirm dutyConfirmCmd `cmd:"" help:"Say that you are still there."`
	End     dutyEndCmd     `cmd:"" help:"Give control up."`
	Add     dutyAddCmd     `cmd:"" help:"Put somebody on the roster of a site."`
	Remove  dutyRemoveCmd  `cmd:"" help:"Take somebody off the roster."`
}

// Help is shown by --help.
func (dutyCmd) Help() string {
	return `Example:

    lamplighter duty start hilltop --lasts 8h`
}

type dutyStartCmd struct {
	serverFlag
	Site  string        `arg:"" help:"The site."`
	Lasts time.Duration `default:"12h" placeholder:"DURATION" help:"For how long, at most 12h (default ${default})."`
}

// Help is shown by --help.
func (dutyStartCmd) Help() string {
	return `From now on you are in control of the site; whoever was before you no longer is. You must say every four hours that you are still there: lamplighter duty confirm

Where the fleet file says "duty: required", transmitters under remote control there are silent while nobody is in control.

Example:

    lamplighter duty start hilltop --lasts 8h`
}

// Run takes control.
func (c *dutyStartCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewDutyServiceClient(conn).StartDuty(ctx, &apiv1.StartDutyRequest{Site: c.Site, Lasts: durationpb.New(c.Lasts)})
		if err == nil {
			inControl(e, c.Site, answer.GetPeriod())
		}
		return err
	})
}

// inControl says for how long somebody is in control.
func inControl(e *environment, site string, p *apiv1.DutyPeriod) {
	e.note("%s is in control of %s until %s; confirm by %s.", p.GetPerson(), site, rfc3339(p.GetUntil()), rfc3339(p.GetConfirmBy()))
}

type dutyConfirmCmd struct {
	serverFlag
	Site string `arg:"" help:"The site."`
}

// Help is shown by --help.
func (dutyConfirmCmd) Help() string {
	return `Gives you another four hours, but never more than you took at the start.

Example:

    lamplighter duty confirm hilltop`
}

// Run confirms.
func (c *dutyConfirmCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewDutyServiceClient(conn).ConfirmDuty(ctx, &apiv1.ConfirmDutyRequest{Site: c.Site})
		if err == nil {
			inControl(e, c.Site, answer.GetPeriod())
		}
		return err
	})
}

type dutyEndCmd struct {
	serverFlag
	Site string `arg:"" help:"The site."`
}

// Help is shown by --help.
func (dutyEndCmd) Help() string {
	return `Nobody is in control afterwards, until somebody starts. An admin ends anybody's.

Example:

    lamplighter duty end hilltop`
}

// Run gives it up.
func (c *dutyEndCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		_, err := apiv1.NewDutyServiceClient(conn).EndDuty(ctx, &apiv1.EndDutyRequest{Site: c.Site})
		return err
	})
}

type dutyAddCmd struct {
	serverFlag
	Site   string  `arg:"" help:"The site."`
	Person string  `placeholder:"NAME" help:"Who; you, without it."`
	From   instant `required:"" placeholder:"TIME" help:"From when."`
	Until  instant `required:"" placeholder:"TIME" help:"Until when, 24 hours later at most."`
}

// Help is shown by --help.
func (dutyAddCmd) Help() string {
	return `A roster says who is to be in control; they still have to start. They are asked a quarter of an hour before.

Example:

    lamplighter duty add hilltop --person kim --from 2026-12-01T08:00:00Z --until 2026-12-01T16:00:00Z`
}

// Run puts them on the roster.
func (c *dutyAddCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewDutyServiceClient(conn).AddTurn(ctx, &apiv1.AddTurnRequest{
			Site: c.Site, Person: c.Person, From: timestamppb.New(c.From.Time), Until: timestamppb.New(c.Until.Time),
		})
		if err == nil {
			e.note("Entry %d of the roster.", answer.GetEntry())
		}
		return err
	})
}

type dutyRemoveCmd struct {
	serverFlag
	Site  string `arg:"" help:"The site."`
	Entry int64  `arg:"" help:"Which, as lamplighter duty show names it."`
}

// Help is shown by --help.
func (dutyRemoveCmd) Help() string {
	return `Takes an entry off the roster. It ends nobody's control.

Example:

    lamplighter duty remove hilltop 12`
}

// Run takes it off.
func (c *dutyRemoveCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		_, err := apiv1.NewDutyServiceClient(conn).RemoveTurn(ctx, &apiv1.RemoveTurnRequest{Site: c.Site, Entry: c.Entry})
		return err
	})
}

type dutyShowCmd struct {
	serverFlag
	outputFlag
}

// Help is shown by --help.
func (dutyShowCmd) Help() string {
	return `For each site first who is in control now, then the roster. Without an entry number it is somebody in control, or nobody.

Example:

    lamplighter duty show`
}

// dutyResult is one line of duty as it is shown.
type dutyResult struct {
	Site      string  `json:"site"`
	Required  bool    `json:"required"`
	Entry     *int64  `json:"entry"`  // null: now, not the roster
	Person    *string `json:"person"` // null: nobody
	Contact   string  `json:"contact"`
	From      *string `json:"from"`
	Until     *string `json:"until"`
	ConfirmBy *string `json:"confirm_by"`
}

// Run shows it.
func (c *dutyShowCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewDutyServiceClient(conn).GetDuty(ctx, &apiv1.GetDutyRequest{})
		if err != nil {
			return err
		}
		results := []dutyResult{}
		for _, site := range answer.GetSites() {
			results = append(results, dutyOf(site)...)
		}
		t := table{columns: []string{"site", "required", "entry", "person", "contact", "from", "until", "confirm_by"}}
		for _, r := range results {
			t.rows = append(t.rows, []string{r.Site, fmt.Sprint(r.Required), show(r.Entry), show(r.Person), r.Contact, show(r.From), show(r.Until), show(r.ConfirmBy)})
		}
		return c.write(e.stdout, t, results)
	})
}

// dutyOf is what is shown of one site.
func dutyOf(s *apiv1.SiteDuty) []dutyResult {
	now := dutyResult{Site: s.GetSite(), Required: s.GetRequired()}
	if p := s.GetPresent(); p != nil {
		now.Person, now.Contact = &p.Person, p.GetContact()
		now.From, now.Until, now.ConfirmBy = timePointer(p.GetSince()), timePointer(p.GetUntil()), timePointer(p.GetConfirmBy())
	}
	results := []dutyResult{now}
	for _, t := range s.GetRoster() {
		results = append(results, dutyResult{
			Site: s.GetSite(), Required: s.GetRequired(), Entry: &t.Entry, Person: &t.Person, Contact: t.GetContact(),
			From: timePointer(t.GetFrom()), Until: timePointer(t.GetUntil()),
		})
	}
	return results
}
