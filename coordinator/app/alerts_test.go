package app_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/deliver"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

const (
	patience = 2 * time.Minute
	hookKey  = "a-key-that-nobody-guesses"
)

const toldFleet = smallFleet + `
alerts: {recipients: [{name: program, webhook: own}]}
`

// listener is a program that hears of alerts, and of the heartbeat.
type listener struct {
	*httptest.Server
	messages chan deliver.Parcel
	beats    chan struct{}
}

func newListener(t *testing.T) *listener {
	l := &listener{messages: make(chan deliver.Parcel, 100), beats: make(chan struct{}, 1000)}
	l.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		if r.URL.Path == "/heart" {
			l.beats <- struct{}{}
			return
		}
		var p deliver.Parcel
		if json.Unmarshal(body, &p) != nil || r.Header.Get("Lamplighter-Signature") != deliver.Sign(hookKey, body) {
			w.WriteHeader(http.StatusForbidden)
			return
		}
		l.messages <- p
	}))
	t.Cleanup(l.Close)
	return l
}

// settle writes the file that says where the listener is.
func (l *listener) settle(t *testing.T, dir string) {
	t.Helper()
	text := "webhooks: {own: {url: '" + l.URL + "/hook', key: " + hookKey + "}}\nheartbeat: {url: '" + l.URL + "/heart', every_seconds: 1}\n"
	if err := os.WriteFile(filepath.Join(dir, deliver.File), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func within[T any](t *testing.T, what string, from <-chan T) (got T) {
	t.Helper()
	select {
	case got = <-from:
	case <-time.After(patience):
		t.Fatalf("%s has not come", what)
	}
	return got
}

// trip stores the word of a beacon whose keyer has tripped.
func trip(t *testing.T, s *store.Store, seq int64) {
	t.Helper()
	reason := "keyer_tripped"
	message, err := proto.Marshal(&wirev1.Health{MuteReason: reason})
	if err != nil {
		t.Fatal(err)
	}
	_, err = s.StoreReports(t.Context(), store.Reports{Health: []store.Health{{
		Beacon: "hilltop-hf", Run: strings.Repeat("0", 32), LiveSeq: seq, Message: message, MuteReason: &reason,
	}}})
	if err != nil {
		t.Fatal(err)
	}
}

func TestWhatIsWrongReachesAProgramOnceOverARestart(t *testing.T) {
	o, l := options(t), newListener(t)
	o.Dir = t.TempDir()
	l.settle(t, o.Dir)
	a := start(t, o)
	apply(t, a, toldFleet)
	within(t, "the heartbeat", l.beats)
	reporting := storetest.Open(t, o.Database, store.Options{})
	trip(t, reporting, 1)
	told := within(t, "word of the tripped keyer", l.messages)
	if told.Event != "began" || told.Network != "tern" || !strings.Contains(told.Text, "hilltop-hf at hilltop") {
		t.Errorf("told %+v", told)
	}
	client := apiv1.NewAlertServiceClient(dial(t, a))
	said, err := client.AcknowledgeAlert(t.Context(), &apiv1.AcknowledgeAlertRequest{Number: told.Alert, Reason: "on my way", Site: "hilltop"})
	if err != nil || said.GetAlert().GetState() != apiv1.AlertState_ALERT_STATE_ACKNOWLEDGED {
		t.Fatalf("%v %v", said, err)
	}
	a.Stop()
	trip(t, reporting, 2)
	a = start(t, o)
	for range len(l.beats) {
		<-l.beats
	}
	for range 3 { // each follows a look that went well
		within(t, "a heartbeat after the restart", l.beats)
	}
	if len(l.messages) > 0 {
		t.Errorf("told again after the restart: %+v", <-l.messages)
	}
	client = apiv1.NewAlertServiceClient(dial(t, a))
	list, err := client.ListAlerts(t.Context(), &apiv1.ListAlertsRequest{})
	if err != nil || len(list.GetAlerts()) != 1 || list.GetAlerts()[0].GetAcknowledgedReason() != "on my way" || list.GetAlerts()[0].GetNumber() != told.Alert {
		t.Errorf("%v %v", list, err)
	}
	if _, err := client.TestAlerts(t.Context(), &apiv1.TestAlertsRequest{Reason: "just trying"}); err != nil {
		t.Fatal(err)
	}
	if trial := within(t, "the trial", l.messages); trial.Event != "trial" || trial.Alert != 0 || !strings.Contains(trial.Text, "just trying") {
		t.Errorf("told %+v", trial)
	}
}

// Two receivers report our call sign where nothing of ours was to be: somebody
// hears of it, and of one receiver alone nobody does.
func TestWhatTwoReceiversHeardReachesAProgram(t *testing.T) {
	o, l := options(t), newListener(t)
	o.Dir = t.TempDir()
	l.settle(t, o.Dir)
	a := start(t, o)
	apply(t, a, toldFleet)
	earlier := time.Now().UTC().Add(-time.Hour).Truncate(2 * time.Minute)
	bring := func(at time.Time, hertz, receiver, locator string) {
		t.Helper()
		file := "time,callsign,frequency_hz,receiver,receiver_locator\n" + at.Format(time.RFC3339) + ",Q0TRN," + hertz + "," + receiver + "," + locator + "\n"
		answer, err := http.Post("http://"+a.Addr().HTTP+"/receptions", "text/csv", strings.NewReader(file))
		if err != nil {
			t.Fatal(err)
		}
		_ = answer.Body.Close()
		if answer.StatusCode != http.StatusOK {
			t.Fatalf("reports were answered with %s", answer.Status)
		}
	}
	bring(earlier, "7040103", "Q8XYZ", "FN42AX")
	bring(earlier, "7040099", "Q9XYZ", "JN58TD")
	bring(earlier.Add(-10*time.Minute), "7040103", "Q9XYZ", "JN58TD")
	a.Stop() // what takes a minute to be looked at again is looked at first
	start(t, o)
	told := within(t, "word of the stranger", l.messages)
	if told.Event != "began" || !strings.Contains(told.Text, "Receivers Q8XYZ and Q9XYZ heard Q0TRN on 40m") || !strings.Contains(told.Text, earlier.Format("2006-01-02 15:04:05 UTC")) {
		t.Errorf("told %+v", told)
	}
}
