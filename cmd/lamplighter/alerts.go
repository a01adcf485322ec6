package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// alertsCmd is all that concerns alerts.
type alertsCmd struct {
	List      alertsListCmd      `cmd:"" default:"withargs" help:"Say what is wrong."`
	Ack       alertsAckCmd       `cmd:"" help:"Say that you look after an alert, so that it is not passed on to others."`
	Silence   alertsSilenceCmd   `cmd:"" help:"Tell nobody of some alerts for a time."`
	Silences  alertsSilencesCmd  `cmd:"" help:"List the silences in force."`
	Unsilence alertsUnsilenceCmd `cmd:"" help:"End a silence before its time."`
	Test      alertsTestCmd      `cmd:"" help:"Send everybody a message that says it is a test."`
}

// Help is shown by --help.
func (alertsCmd) Help() string {
	return `Who hears of what stands in the fleet file, under alerts; how to reach them in delivery.yaml in the coordinator's folder.

Examples:

    lamplighter alerts
    lamplighter alerts ack 17 --reason "on my way"
    lamplighter alerts test`
}

// alertsListCmd lists alerts.
type alertsListCmd struct {
	serverFlag
	outputFlag
	All bool `help:"Also those that are over or that nobody hears of: the latest 1,000."`
}

// Help is shown by --help.
func (alertsListCmd) Help() string {
	return `The worst first. The states are:

    pending       true, but not for long enough that anybody hears of it
    raised        true for long enough; somebody has heard, or is about to
    acknowledged  somebody looks after it
    unsteady      it comes and goes
    cleared       over

Messages that could not be delivered in the last week are told of below.

Examples:

    lamplighter alerts
    lamplighter alerts --all --output csv`
}

// shownAlert is an alert as --output json shows it. Others rely on its keys.
type shownAlert struct {
	Number         int64   `json:"number"`
	State          string  `json:"state"`
	Severity       string  `json:"severity"`
	Condition      string  `json:"condition"`
	Site           string  `json:"site"`
	Beacon         string  `json:"beacon"`
	Since          *string `json:"since"`
	HiddenBy       string  `json:"hidden_by"`
	Silenced       bool    `json:"silenced"`
	AcknowledgedBy string  `json:"acknowledged_by"`
	Sentence       string  `json:"sentence"`
	Advice         string  `json:"advice"`
}

// Run asks and prints.
func (c *alertsListCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewAlertServiceClient(conn).ListAlerts(ctx, &apiv1.ListAlertsRequest{All: c.All})
		if err != nil {
			return err
		}
		values := []shownAlert{}
		t := table{columns: []string{"number", "state", "severity", "since", "acknowledged_by", "sentence"}}
		for _, a := range answer.GetAlerts() {
			v := shownAlert{
				a.GetNumber(), enumWord(a.GetState().String(), "ALERT_STATE_"), enumWord(a.GetSeverity().String(), "ALERT_SEVERITY_"),
				a.GetCondition(), a.GetSite(), a.GetBeacon(), timePointer(a.GetSince()), a.GetHiddenBy(), a.GetSilenced(),
				a.GetAcknowledgedBy(), a.GetSentence(), a.GetAdvice(),
			}
			values = append(values, v)
			t.rows = append(t.rows, []string{strconv.FormatInt(v.Number, 10), v.State, v.Severity, show(v.Since), v.AcknowledgedBy, v.Sentence})
		}
		if err := c.write(e.stdout, t, values); err != nil {
			return err
		}
		for _, m := range answer.GetUndelivered() {
			e.note("Not delivered to %s: %q of %s: %s", m.GetRecipient(), m.GetSubject(), rfc3339(m.GetMadeAt()), m.GetReason())
		}
		return nil
	})
}

func enumWord(name, prefix string) string { return strings.ToLower(strings.TrimPrefix(name, prefix)) }

// alertsAckCmd takes an alert on.
type alertsAckCmd struct {
	serverFlag
	Number int64  `arg:"" help:"The alert's number."`
	Reason string `required:"" placeholder:"TEXT" help:"What you do about it. At most 500 characters."`
}

// Help is shown by --help.
func (alertsAckCmd) Help() string {
	return `Who you are and why is kept, and stands in later messages about it.

Example:

    lamplighter alerts ack 17 --reason "on my way to the mast"`
}

// Run takes it on.
func (c *alertsAckCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		client := apiv1.NewAlertServiceClient(conn)
		request := &apiv1.AcknowledgeAlertRequest{Number: c.Number, Reason: c.Reason}
		list, err := client.ListAlerts(ctx, &apiv1.ListAlertsRequest{})
		if err != nil {
			return err
		}
		for _, a := range list.GetAlerts() {
			if a.GetNumber() == c.Number {
				request.Site = a.GetSite()
			}
		}
		answer, err := client.AcknowledgeAlert(ctx, request)
		if err == nil {
			e.note("%s looks after alert %d: %s", answer.GetAlert().GetAcknowledgedBy(), c.Number, answer.GetAlert().GetSentence())
		}
		return err
	})
}

// alertsSilenceCmd keeps alerts from being told.
type alertsSilenceCmd struct {
	serverFlag
	Condition string        `placeholder:"CODE" help:"Only this condition, such as gps_lost."`
	Site      string        `xor:"place" placeholder:"SITE" help:"Only at this site."`
	Beacon    string        `xor:"place" placeholder:"BEACON" help:"Only of this beacon."`
	For       time.Duration `required:"" placeholder:"TIME" help:"For how long, such as 6h: at most 14 days (336h)."`
	Reason    string        `required:"" placeholder:"TEXT" help:"Why. At most 500 characters."`
}

// Help is shown by --help.
func (alertsSilenceCmd) Help() string {
	return `Alerts go on standing in the list; nobody is told of them. What is about safety is told all the same.

Example:

    lamplighter alerts silence --site hilltop --for 6h --reason "mast work"`
}

// Run asks for it.
func (c *alertsSilenceCmd) Run(e *environment) error {
	if c.For <= 0 || c.For > 14*24*time.Hour {
		return fault.New(fault.Usage, "--for", "must be more than nothing and at most 14 days (336h)")
	}
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewAlertServiceClient(conn).AddSilence(ctx, &apiv1.AddSilenceRequest{
			Condition: c.Condition, Site: c.Site, Beacon: c.Beacon, Reason: c.Reason, Until: timestamppb.New(time.Now().Add(c.For)),
		})
		if err == nil {
			e.note("Silence %d holds until %s.", answer.GetSilence().GetNumber(), rfc3339(answer.GetSilence().GetUntil()))
		}
		return err
	})
}

// alertsSilencesCmd lists silences.
type alertsSilencesCmd struct {
	serverFlag
	outputFlag
}

// Help is shown by --help.
func (alertsSilencesCmd) Help() string {
	return `Each has an owner, a reason and an end.

Example:

    lamplighter alerts silences --output csv`
}

// shownSilence is a silence as --output json shows it.
type shownSilence struct {
	Number    int64   `json:"number"`
	Condition string  `json:"condition"`
	Site      string  `json:"site"`
	Beacon    string  `json:"beacon"`
	Owner     string  `json:"owner"`
	Reason    string  `json:"reason"`
	Until     *string `json:"until"`
}

// Run asks and prints.
func (c *alertsSilencesCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewAlertServiceClient(conn).ListSilences(ctx, &apiv1.ListSilencesRequest{})
		if err != nil {
			return err
		}
		values := []shownSilence{}
		t := table{columns: []string{"number", "condition", "site", "beacon", "owner", "until", "reason"}}
		for _, s := range answer.GetSilences() {
			v := shownSilence{s.GetNumber(), s.GetCondition(), s.GetSite(), s.GetBeacon(), s.GetOwner(), s.GetReason(), timePointer(s.GetUntil())}
			values = append(values, v)
			t.rows = append(t.rows, []string{fmt.Sprint(v.Number), v.Condition, v.Site, v.Beacon, v.Owner, show(v.Until), v.Reason})
		}
		return c.write(e.stdout, t, values)
	})
}

// alertsUnsilenceCmd ends a silence.
type alertsUnsilenceCmd struct {
	serverFlag
	Number int64 `arg:"" help:"The silence's number."`
}

// Help is shown by --help.
func (alertsUnsilenceCmd) Help() string {
	return `What is wrong then is told at once.

Example:

    lamplighter alerts unsilence 3`
}

// Run ends it.
func (c *alertsUnsilenceCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		_, err := apiv1.NewAlertServiceClient(conn).EndSilence(ctx, &apiv1.EndSilenceRequest{Number: c.Number})
		if err == nil {
			e.note("Silence %d has ended.", c.Number)
		}
		return err
	})
}

// alertsTestCmd tries whether messages arrive.
type alertsTestCmd struct {
	serverFlag
	Recipient string `placeholder:"NAME" help:"Only this recipient of the fleet file."`
	Reason    string `default:"test from the command line" placeholder:"TEXT" help:"Why, for those who get it."`
}

// Help is shown by --help.
func (alertsTestCmd) Help() string {
	return `It goes the same way as a message of an alert, whatever the recipients' hours.

Examples:

    lamplighter alerts test
    lamplighter alerts test --recipient ada --reason "quarterly"`
}

// Run asks for it.
func (c *alertsTestCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewAlertServiceClient(conn).TestAlerts(ctx, &apiv1.TestAlertsRequest{Recipient: c.Recipient, Reason: c.Reason})
		if err == nil {
			e.note("A test is on its way to %s. What can't be delivered is told of by: lamplighter alerts", strings.Join(answer.GetRecipients(), ", "))
		}
		return err
	})
}
