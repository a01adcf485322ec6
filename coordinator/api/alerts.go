package api

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/people/caller"
	"lamplighter/coordinator/store"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// Trials delivers messages of alerts that were stored in a transaction.
type Trials interface {
	Add(ctx context.Context, tx *store.Tx, messages []int64) error
}

// alertService says what is wrong and who looks after it.
type alertService struct {
	apiv1.UnimplementedAlertServiceServer
	options Options
}

// ListAlerts lists alerts, the worst first, and what could not be delivered.
func (s *alertService) ListAlerts(ctx context.Context, r *apiv1.ListAlertsRequest) (*apiv1.ListAlertsResponse, error) {
	alerts, err := s.options.Store.ListAlerts(ctx, r.GetAll())
	if err != nil {
		return nil, err
	}
	undelivered, err := s.options.Store.Undelivered(ctx)
	if err != nil {
		return nil, err
	}
	answer := &apiv1.ListAlertsResponse{}
	for i := range alerts {
		answer.Alerts = append(answer.Alerts, shownAlert(&alerts[i]))
	}
	slices.SortStableFunc(answer.Alerts, func(a, b *apiv1.Alert) int {
		if a.GetSeverity() != b.GetSeverity() && !r.GetAll() {
			return int(b.GetSeverity()) - int(a.GetSeverity())
		}
		return int(b.GetNumber() - a.GetNumber())
	})
	for _, m := range undelivered {
		answer.Undelivered = append(answer.Undelivered, &apiv1.Undelivered{
			Number: m.Message, Recipient: m.Recipient, Subject: m.Subject, MadeAt: timestamppb.New(m.MadeAt), Reason: m.Answer,
		})
	}
	return answer, nil
}

// shownAlert is an alert as callers see it.
func shownAlert(a *alert.Alert) *apiv1.Alert {
	shown := &apiv1.Alert{
		Number: a.Number, Condition: string(a.Code), Title: string(a.Code), State: apiv1.AlertState(apiv1.AlertState_value["ALERT_STATE_"+strings.ToUpper(string(a.State))]),
		Site: a.Site, Beacon: a.Beacon, Sentence: a.Sentence, Since: timestamppb.New(a.Since), RaisedAt: stamp(a.RaisedAt), ClearedAt: stamp(a.OverAt),
		HiddenBy: string(a.HiddenBy), AcknowledgedBy: a.By, AcknowledgedAt: stamp(a.At), AcknowledgedReason: a.Why, Silenced: a.Silenced,
	}
	if c := alert.Lookup(a.Code); c != nil { // nil: of another version of this program
		shown.Title, shown.Advice = c.Title, strings.ReplaceAll(c.Advice, "NAME", a.Beacon)
		shown.Severity = apiv1.AlertSeverity(apiv1.AlertSeverity_value["ALERT_SEVERITY_"+strings.ToUpper(string(c.Severity))])
	}
	return shown
}

func stamp(at time.Time) *timestamppb.Timestamp {
	if at.IsZero() {
		return nil
	}
	return timestamppb.New(at)
}

// AcknowledgeAlert notes who looks after an alert.
func (s *alertService) AcknowledgeAlert(ctx context.Context, r *apiv1.AcknowledgeAlertRequest) (*apiv1.AcknowledgeAlertResponse, error) {
	if err := checkReason(r.GetReason()); err != nil {
		return nil, err
	}
	a, err := s.options.Store.Alert(ctx, r.GetNumber())
	switch {
	case errors.Is(err, store.ErrNoAlert):
		return nil, fault.New(fault.NotFound, "number", "there is no alert %d", r.GetNumber())
	case err != nil:
		return nil, err
	case !a.State.Open():
		return nil, fault.New(fault.Refused, "number", "alert %d is %s: only one that stands open can be taken on", a.Number, a.State)
	}
	if r.GetSite() != "" && r.GetSite() != a.Site { // by that site it was decided that the caller may
		return nil, fault.New(fault.Invalid, "site", "alert %d is not at site %s", a.Number, r.GetSite())
	}
	who := caller.From(ctx)
	if err := s.options.Store.Acknowledge(ctx, a.Number, who.Name, r.GetReason()); err != nil {
		return nil, err
	}
	a.By, a.Why = who.Name, r.GetReason()
	if a.State == alert.Raised { // the leader does the same within seconds
		a.State = alert.Acknowledged
	}
	return &apiv1.AcknowledgeAlertResponse{Alert: shownAlert(&a)}, nil
}

// placeOfSilence is the site that a silence covers.
func placeOfSilence(ctx context.Context, known known, request proto.Message) ([]string, error) {
	r, ok := request.(*apiv1.AddSilenceRequest)
	if !ok {
		return nil, nil
	}
	return known.siteOfScope(ctx, &apiv1.HushedScope{Site: r.GetSite(), Beacon: r.GetBeacon()})
}

// placeOfEndedSilence is the site that the silence covers which is to end. One
// that is not in force is nobody's: whoever may everywhere is told so.
func placeOfEndedSilence(ctx context.Context, known known, request proto.Message) ([]string, error) {
	r, ok := request.(*apiv1.EndSilenceRequest)
	if !ok {
		return nil, nil
	}
	silences, err := known.store.Silences(ctx)
	if err != nil {
		return nil, err
	}
	for _, s := range silences {
		if s.Number == r.GetNumber() {
			return known.siteOfScope(ctx, &apiv1.HushedScope{Site: s.Site, Beacon: s.Beacon})
		}
	}
	return nil, nil
}

var silenceReasons = map[alert.SilenceReason]struct{ field, sentence string }{
	alert.SilenceUnowned:  {"", "say who you are: a silence has an owner"},
	alert.SilenceNoReason: {"reason", "say why"},
	alert.SilenceOver:     {"until", "it must end after now"},
	alert.SilenceTooLong:  {"until", "a silence lasts at most 14 days: renew it then if it is still needed"},
	alert.SilenceUnknown:  {"condition", "there is no such condition"},
	alert.SilenceSafety:   {"condition", "this is about safety, and is always told"},
}

// AddSilence keeps alerts from being told for a time.
func (s *alertService) AddSilence(ctx context.Context, r *apiv1.AddSilenceRequest) (*apiv1.AddSilenceResponse, error) {
	if err := checkReason(r.GetReason()); err != nil {
		return nil, err
	}
	until, err := checkedTime("until", r.GetUntil())
	if err != nil {
		return nil, err
	}
	if until.IsZero() {
		return nil, fault.New(fault.Invalid, "until", "say when it ends, at most 14 days from now")
	}
	current, _, err := s.options.Fleets.Current(ctx)
	if err != nil {
		return nil, err
	}
	if current == nil {
		return nil, nothingInForce()
	}
	if _, err := checkedScope(current, &apiv1.HushedScope{Site: r.GetSite(), Beacon: r.GetBeacon()}); err != nil {
		return nil, err
	}
	wanted := alert.Silence{
		Code: alert.Code(r.GetCondition()), Site: r.GetSite(), Beacon: r.GetBeacon(),
		Owner: caller.From(ctx).Name, Reason: r.GetReason(), Until: until,
	}
	made, err := s.options.Store.AddSilence(ctx, wanted, func(silence alert.Silence) error {
		if why := silence.Check(); why != alert.SilenceAllowed {
			return fault.New(fault.Invalid, silenceReasons[why].field, "%s", silenceReasons[why].sentence)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return &apiv1.AddSilenceResponse{Silence: shownSilence(made)}, nil
}

func shownSilence(s alert.Silence) *apiv1.Silence {
	return &apiv1.Silence{
		Number: s.Number, Condition: string(s.Code), Site: s.Site, Beacon: s.Beacon, Reason: s.Reason, Owner: s.Owner,
		Since: timestamppb.New(s.Since), Until: timestamppb.New(s.Until),
	}
}

// EndSilence ends a silence before its time.
func (s *alertService) EndSilence(ctx context.Context, r *apiv1.EndSilenceRequest) (*apiv1.EndSilenceResponse, error) {
	ended, err := s.options.Store.EndSilence(ctx, r.GetNumber(), caller.From(ctx).Name)
	if err == nil && !ended {
		err = fault.New(fault.NotFound, "number", "silence %d is not in force", r.GetNumber())
	}
	return &apiv1.EndSilenceResponse{}, err
}

// ListSilences lists the silences in force.
func (s *alertService) ListSilences(ctx context.Context, _ *apiv1.ListSilencesRequest) (*apiv1.ListSilencesResponse, error) {
	silences, err := s.options.Store.Silences(ctx)
	answer := &apiv1.ListSilencesResponse{}
	for _, one := range silences {
		answer.Silences = append(answer.Silences, shownSilence(one))
	}
	return answer, err
}

// TestAlerts sends recipients a message that says that it is a trial.
func (s *alertService) TestAlerts(ctx context.Context, r *apiv1.TestAlertsRequest) (*apiv1.TestAlertsResponse, error) {
	if err := checkReason(r.GetReason()); err != nil {
		return nil, err
	}
	current, _, err := s.options.Fleets.Current(ctx)
	if err != nil {
		return nil, err
	}
	if current == nil {
		return nil, nothingInForce()
	}
	answer := &apiv1.TestAlertsResponse{}
	for _, to := range current.Alerts.Recipients {
		if r.GetRecipient() == "" || r.GetRecipient() == to.Name {
			answer.Recipients = append(answer.Recipients, to.Name)
		}
	}
	if len(answer.Recipients) == 0 {
		return nil, fault.New(fault.NotFound, "recipient", "no such recipient stands in the fleet file, under alerts, recipients")
	}
	return answer, s.try(ctx, current, answer.Recipients, r.GetReason())
}

func (s *alertService) try(ctx context.Context, f *fleet.Fleet, recipients []string, reason string) error {
	return s.options.Store.InTx(ctx, func(ctx context.Context, tx *store.Tx) error {
		var numbers []int64
		for _, to := range recipients {
			number, err := tx.AddNotice(ctx, alert.TrialMessage(f, to, caller.From(ctx).Name, reason))
			if err != nil {
				return err
			}
			numbers = append(numbers, number)
		}
		return s.options.Trials.Add(ctx, tx, numbers)
	})
}
