package app_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/app"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// A fleet file that is put in force at the start stands in the trail, once.
func TestTheFleetOfTheStartStandsInTheTrail(t *testing.T) {
	o := options(t)
	o.Fleet = &app.FleetFile{Name: "fleet.yaml", YAML: smallFleet}
	for run := range 2 { // the second time nothing changes
		a := start(t, o)
		list, err := apiv1.NewAuditServiceClient(dial(t, a)).ListEntries(t.Context(), &apiv1.ListEntriesRequest{Action: "ApplyFleet"})
		if err != nil {
			t.Fatal(err)
		}
		if len(list.GetEntries()) != 1 || list.GetEntries()[0].GetVia() != "start" || !strings.Contains(list.GetEntries()[0].GetDetails(), `"version":1`) {
			t.Errorf("start %d: %v", run+1, list.GetEntries())
		}
		a.Stop()
	}
}

// Who is next on the roster is asked, and the roster says so. The roster looks
// every ten seconds: this test waits for that.
func TestTheNextOnTheRosterIsAsked(t *testing.T) {
	a, password := closed(t)
	conn := dial(t, a)
	account, turns := apiv1.NewAccountServiceClient(conn), apiv1.NewDutyServiceClient(conn)
	const own = "five quiet owls at dusk"
	if _, err := account.ChoosePassword(t.Context(), &apiv1.ChoosePasswordRequest{Name: "admin", OldPassword: password, NewPassword: own}); err != nil {
		t.Fatal(err)
	}
	answer, err := account.LogIn(t.Context(), &apiv1.LogInRequest{Name: "admin", Password: own, Purpose: "a trial"})
	if err != nil {
		t.Fatal(err)
	}
	ctx := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+answer.GetSecret())
	now := time.Now()
	for _, from := range []time.Duration{10 * time.Minute, 10 * time.Hour} {
		_, err := turns.AddTurn(ctx, &apiv1.AddTurnRequest{Site: "hilltop", From: timestamppb.New(now.Add(from)), Until: timestamppb.New(now.Add(from + time.Hour))})
		if err != nil {
			t.Fatal(err)
		}
	}
	patience := time.After(3 * time.Minute)
	again := time.NewTicker(100 * time.Millisecond)
	defer again.Stop()
	for {
		shown, err := turns.GetDuty(ctx, &apiv1.GetDutyRequest{})
		if err != nil {
			t.Fatal(err)
		}
		roster := shown.GetSites()[0].GetRoster()
		if len(roster) != 2 || roster[1].GetAskedAt() != nil {
			t.Fatalf("%v", roster)
		}
		if roster[0].GetAskedAt() != nil {
			return
		}
		select {
		case <-again.C:
		case <-patience:
			t.Fatal("nobody is asked")
		}
	}
}
