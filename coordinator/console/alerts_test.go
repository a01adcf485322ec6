package console_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"google.golang.org/grpc/codes"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// wrong is an alert that nobody has taken on, one about safety that somebody
// has, one that comes and goes, a message that was not delivered, and a silence.
func wrong() (*apiv1.ListAlertsResponse, []*apiv1.Silence) {
	at := func(before time.Duration) *timestamppb.Timestamp { return timestamppb.New(began.Add(-before)) }
	return &apiv1.ListAlertsResponse{
		Alerts: []*apiv1.Alert{
			{
				Number: 8, Condition: "keyer_tripped", Title: "keyer tripped", Severity: apiv1.AlertSeverity_ALERT_SEVERITY_SAFETY,
				State: apiv1.AlertState_ALERT_STATE_ACKNOWLEDGED, Site: "hilltop", Beacon: "hilltop-vhf", Sentence: "the keyer has tripped",
				Advice: "Look at the key line.", Since: at(2 * time.Hour), RaisedAt: at(2 * time.Hour),
				AcknowledgedBy: "Kim", AcknowledgedAt: at(time.Hour), AcknowledgedReason: "on my way with a meter",
			},
			{
				Number: 7, Condition: "clock_error", Title: "clock unsure", Severity: apiv1.AlertSeverity_ALERT_SEVERITY_WARNING,
				State: apiv1.AlertState_ALERT_STATE_RAISED, Site: "mill", Beacon: "mill-b", Sentence: "the clock may be wrong by 0.73 s",
				Advice: "See whether the antenna of the receiver has a clear sky.", Since: at(20 * time.Minute), RaisedAt: at(10 * time.Minute),
			},
			{
				Number: 5, Condition: "certificate_ends", Title: "certificate ends soon", Severity: apiv1.AlertSeverity_ALERT_SEVERITY_NOTICE,
				State: apiv1.AlertState_ALERT_STATE_UNSTEADY, Sentence: "it ends in 9 days", Since: at(30 * time.Hour), RaisedAt: at(29 * time.Hour), Silenced: true,
			},
		},
		Undelivered: []*apiv1.Undelivered{{Number: 3, Recipient: "club", Subject: "keyer tripped at hilltop-vhf", MadeAt: at(2 * time.Hour), Reason: "the server did not take it within a day"}},
	}, []*apiv1.Silence{{Number: 2, Site: "harbour", Reason: "works on the quay", Owner: "Kim", Since: at(time.Hour), Until: timestamppb.New(began.Add(20 * time.Hour))}}
}

func (s *stage) ListAlerts(context.Context, *apiv1.ListAlertsRequest) (*apiv1.ListAlertsResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return proto.CloneOf(s.alerts), nil
}

func (s *stage) AcknowledgeAlert(_ context.Context, r *apiv1.AcknowledgeAlertRequest) (*apiv1.AcknowledgeAlertResponse, error) {
	if r.GetReason() == "" {
		return nil, grpcstatus.Error(codes.InvalidArgument, "say why, for those who will ask")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, a := range s.alerts.GetAlerts() {
		if a.GetNumber() == r.GetNumber() && a.GetSite() == r.GetSite() {
			a.State, a.AcknowledgedBy, a.AcknowledgedReason, a.AcknowledgedAt = apiv1.AlertState_ALERT_STATE_ACKNOWLEDGED, "Robin", r.GetReason(), timestamppb.New(s.now())
			return &apiv1.AcknowledgeAlertResponse{Alert: proto.CloneOf(a)}, nil
		}
	}
	return nil, grpcstatus.Error(codes.NotFound, "there is no such alert")
}

func (s *stage) AddSilence(_ context.Context, r *apiv1.AddSilenceRequest) (*apiv1.AddSilenceResponse, error) {
	if r.GetReason() == "" {
		return nil, grpcstatus.Error(codes.InvalidArgument, "say why, for those who will ask")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	made := &apiv1.Silence{
		Number: int64(len(s.silences) + 1), Condition: r.GetCondition(), Site: r.GetSite(), Beacon: r.GetBeacon(),
		Reason: r.GetReason(), Owner: "Robin", Since: timestamppb.New(s.now()), Until: r.GetUntil(),
	}
	s.silences = append(s.silences, made)
	return &apiv1.AddSilenceResponse{Silence: made}, nil
}

func (s *stage) EndSilence(context.Context, *apiv1.EndSilenceRequest) (*apiv1.EndSilenceResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.silences = nil
	return &apiv1.EndSilenceResponse{}, nil
}

func (s *stage) ListSilences(context.Context, *apiv1.ListSilencesRequest) (*apiv1.ListSilencesResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return &apiv1.ListSilencesResponse{Silences: s.silences}, nil
}

// TestAlerts hears on the first page, while it stands open, of what waits and of
// what nobody was told; and takes an alert on, silences a kind of alert and ends
// that, in a browser that runs no script.
func TestAlerts(t *testing.T) {
	t.Parallel()
	s := open(t, valley, "operator")
	live := visit(t, s, desk, "light")
	live.goTo("/")
	live.says("Nothing is wrong")
	s.mu.Lock()
	s.alerts, _ = wrong()
	s.mu.Unlock()
	live.says("1 alert waits for somebody: clock unsure, beacon mill-b")
	live.says("1 message about an alert was not delivered")

	v := visit(t, s, phone, "light")
	v.call(func() error {
		_, err := chromedp.Call(v.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	})
	reads := func(words ...string) {
		t.Helper()
		text, err := chromedp.Run(v.ctx, chromedp.TextContent(chromedp.CSS("main")))
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range words {
			if !strings.Contains(text, w) {
				t.Errorf("the page does not say %q:\n%s", w, text)
			}
		}
	}
	v.goTo("/alerts")
	reads("To club, 2026-12-01 10:00:31: keyer tripped at hilltop-vhf", "Kim looks after it", "not told, as it is silenced")
	v.click(`a[href="/alerts/7/take"]`)
	v.do(chromedp.WaitVisible(chromedp.CSS("#reason")), chromedp.SendKeys(chromedp.CSS("#reason"), "   "))
	v.click("main form button")
	v.do(chromedp.WaitVisible(chromedp.CSS("#refusal")))
	reads("Say why, for those who will ask")
	v.do(chromedp.SendKeys(chromedp.CSS("#reason"), "I climb up tomorrow"))
	v.click("main form button")
	v.do(chromedp.WaitVisible(chromedp.CSS("#listed")))
	reads("Robin looks after it", "I climb up tomorrow")

	v.goTo("/silence?condition=clock_error&scope=beacon:mill-b")
	v.do(chromedp.SendKeys(chromedp.CSS("#reason"), "until I have been there"))
	v.click("main form button")
	v.do(chromedp.WaitVisible(chromedp.CSS("#silences")))
	reads("Robin: until I have been there")
	s.mu.Lock()
	made := s.silences[0]
	s.mu.Unlock()
	if left := made.GetUntil().AsTime().Sub(began); left < time.Hour || left > 2*time.Hour || made.GetBeacon() != "mill-b" || made.GetCondition() != "clock_error" {
		t.Errorf("the silence is %v", made)
	}
	v.click(`form[action="/silence/1/end"] button`)
	v.do(chromedp.WaitNotPresent(chromedp.CSS(`form[action="/silence/1/end"]`)), chromedp.WaitVisible(chromedp.CSS("#silences")))
	reads("no alert is kept from anybody")
}
