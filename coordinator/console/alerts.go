package console

import (
	"context"
	"net/http"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// alertsPage is what is wrong, who looks after it, and what is not told.
type alertsPage struct {
	Alerts      []*apiv1.Alert
	Undelivered []*apiv1.Undelivered
	Silences    []*apiv1.Silence
	All         bool // those that are over too
	Untold      bool // nobody is named who hears of them
}

// takeForm takes an alert on.
type takeForm struct {
	Alert   *apiv1.Alert
	Reason  string
	Trouble *trouble
}

// silenceForm keeps alerts from being told for a time.
type silenceForm struct {
	Conditions []choice
	Scopes     []choice
	Ends       []ending
	Condition  string
	Scope      string
	Reason     string
	Hours      int
	Trouble    *trouble
}

// ending is when a silence can end by itself.
type ending struct {
	Hours int
	Words string
}

var endings = []ending{{1, "in an hour"}, {4, "in 4 hours"}, {24, "in a day"}, {72, "in 3 days"}, {168, "in a week"}}

// severities are how bad an alert is, in words.
var severities = map[apiv1.AlertSeverity]string{
	apiv1.AlertSeverity_ALERT_SEVERITY_NOTICE:  "notice",
	apiv1.AlertSeverity_ALERT_SEVERITY_WARNING: "warning",
	apiv1.AlertSeverity_ALERT_SEVERITY_SAFETY:  "safety",
}

var alertStates = map[apiv1.AlertState]string{
	apiv1.AlertState_ALERT_STATE_PENDING:      "too new to be told",
	apiv1.AlertState_ALERT_STATE_RAISED:       "nobody has taken it on",
	apiv1.AlertState_ALERT_STATE_ACKNOWLEDGED: "taken on",
	apiv1.AlertState_ALERT_STATE_UNSTEADY:     "it comes and goes",
	apiv1.AlertState_ALERT_STATE_CLEARED:      "over",
}

// severity is how bad an alert is, in a word.
func severity(a *apiv1.Alert) string { return severities[a.GetSeverity()] }

// alertState is how far an alert is, in words.
func alertState(a *apiv1.Alert) string { return alertStates[a.GetState()] }

// takeable says whether somebody can still take an alert on.
func takeable(a *apiv1.Alert) bool {
	return a.GetAcknowledgedBy() == "" && a.GetState() != apiv1.AlertState_ALERT_STATE_CLEARED && a.GetState() != apiv1.AlertState_ALERT_STATE_PENDING
}

// place is what something is about, in words.
func place(about interface {
	GetSite() string
	GetBeacon() string
},
) string {
	return scopeWords(&apiv1.HushedScope{Site: about.GetSite(), Beacon: about.GetBeacon()})
}

// conditionWords is a condition in a few words; all of them where it is empty.
func conditionWords(code string) string {
	if code == "" {
		return "every alert but safety"
	}
	if known := alert.Lookup(alert.Code(code)); known != nil {
		return known.Title
	}
	return reason(code)
}

// troubles is what the page of now says of alerts.
type troubles struct {
	Alerts      []*apiv1.Alert // that somebody should take on
	Undelivered []*apiv1.Undelivered
}

func (s sight) troubles() troubles {
	t := troubles{Undelivered: s.alerts.GetUndelivered()}
	for _, a := range s.alerts.GetAlerts() {
		if takeable(a) && a.GetHiddenBy() == "" && !a.GetSilenced() {
			t.Alerts = append(t.Alerts, a)
		}
	}
	return t
}

func (c *Console) showAlerts(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	page := alertsPage{All: r.FormValue("all") != "", Untold: n.Fleet != nil && len(n.Alerts.Recipients) == 0}
	listed, err := c.alerts.ListAlerts(r.Context(), &apiv1.ListAlertsRequest{All: page.All})
	if err != nil {
		return err
	}
	silences, err := c.alerts.ListSilences(r.Context(), &apiv1.ListSilencesRequest{})
	if err != nil {
		return err
	}
	page.Alerts, page.Undelivered, page.Silences = listed.GetAlerts(), listed.GetUndelivered(), silences.GetSilences()
	c.render(w, r, http.StatusOK, "alerts", frame{Title: "Alerts", Tab: "/alerts", Refresh: 30, Body: page})
	return nil
}

// alert is the alert of a request's path.
func (c *Console) alert(r *http.Request) (*apiv1.Alert, error) {
	number, err := strconv.ParseInt(r.PathValue("alert"), 10, 64)
	if err != nil {
		return nil, errNoPage
	}
	listed, err := c.alerts.ListAlerts(r.Context(), &apiv1.ListAlertsRequest{All: true})
	if err != nil {
		return nil, err
	}
	for _, a := range listed.GetAlerts() {
		if a.GetNumber() == number {
			return a, nil
		}
	}
	return nil, fault.New(fault.NotFound, "alert", "there is no alert %d", number)
}

func (c *Console) showTakeForm(w http.ResponseWriter, r *http.Request) error {
	about, err := c.alert(r)
	if err != nil {
		return err
	}
	c.render(w, r, http.StatusOK, "takeform", frame{Title: "Take on", Tab: "/alerts", Body: takeForm{Alert: about}})
	return nil
}

// takeAlert notes who looks after an alert, and why.
func (c *Console) takeAlert(w http.ResponseWriter, r *http.Request) error {
	about, err := c.alert(r)
	if err != nil {
		return err
	}
	form := takeForm{Alert: about, Reason: strings.TrimSpace(r.PostFormValue("reason"))}
	_, err = c.alerts.AcknowledgeAlert(r.Context(), &apiv1.AcknowledgeAlertRequest{Number: about.GetNumber(), Reason: form.Reason, Site: about.GetSite()})
	if err == nil {
		http.Redirect(w, r, "/alerts", http.StatusSeeOther)
		return nil
	}
	if form.Trouble, err = c.formTrouble(err); err != nil {
		return err
	}
	c.render(w, r, form.Trouble.Status, "takeform", frame{Title: "Take on", Tab: "/alerts", Body: form})
	return nil
}

// formTrouble is what is wrong with a form that was sent. Who may not send it at
// all gets the error back.
func (c *Console) formTrouble(err error) (*trouble, error) {
	told := c.understand(err)
	if told.Status == http.StatusUnauthorized || told.Status == http.StatusForbidden {
		return nil, err
	}
	return &told, nil
}

func (c *Console) showSilenceForm(w http.ResponseWriter, r *http.Request) error {
	return c.askSilence(w, r, http.StatusOK, silenceForm{Condition: r.FormValue("condition"), Scope: r.FormValue("scope"), Hours: endings[0].Hours})
}

func (c *Console) askSilence(w http.ResponseWriter, r *http.Request, status int, form silenceForm) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		return errNoNetwork
	}
	for _, s := range c.allowed(r.Context(), n, Acknowledge) {
		if !strings.HasPrefix(s.Value, "band:") {
			form.Scopes = append(form.Scopes, s)
		}
	}
	form.Conditions = []choice{{Words: conditionWords("")}}
	for _, known := range alert.Conditions() {
		if known.Severity != alert.Safety {
			form.Conditions = append(form.Conditions, choice{Value: string(known.Code), Words: known.Title})
		}
	}
	form.Ends = endings
	c.render(w, r, status, "silenceform", frame{Title: "Silence alerts", Tab: "/alerts", Body: form})
	return nil
}

// addSilence keeps alerts from being told until a time.
func (c *Console) addSilence(w http.ResponseWriter, r *http.Request) error {
	form := silenceForm{Condition: r.PostFormValue("condition"), Scope: r.PostFormValue("scope"), Reason: strings.TrimSpace(r.PostFormValue("reason"))}
	form.Hours, _ = strconv.Atoi(r.PostFormValue("hours")) // what is no number is not among the endings
	err := c.silence(r.Context(), form)
	if err == nil {
		http.Redirect(w, r, "/alerts", http.StatusSeeOther)
		return nil
	}
	if form.Trouble, err = c.formTrouble(err); err != nil {
		return err
	}
	return c.askSilence(w, r, form.Trouble.Status, form)
}

func (c *Console) silence(ctx context.Context, form silenceForm) error {
	scope, err := scopeOf(form.Scope)
	if err != nil {
		return err
	}
	for _, e := range endings {
		if e.Hours == form.Hours {
			until := c.options.Now().Add(time.Duration(e.Hours) * time.Hour)
			_, err := c.alerts.AddSilence(ctx, &apiv1.AddSilenceRequest{
				Condition: form.Condition, Site: scope.GetSite(), Beacon: scope.GetBeacon(), Reason: form.Reason, Until: timestamppb.New(until),
			})
			return err
		}
	}
	return fault.New(fault.Invalid, "hours", "choose when the silence ends")
}

// endSilence ends a silence before its time.
func (c *Console) endSilence(w http.ResponseWriter, r *http.Request) error {
	number, err := strconv.ParseInt(r.PathValue("silence"), 10, 64)
	if err != nil {
		return errNoPage
	}
	if _, err := c.alerts.EndSilence(r.Context(), &apiv1.EndSilenceRequest{Number: number}); err != nil {
		return err
	}
	http.Redirect(w, r, "/alerts", http.StatusSeeOther)
	return nil
}
