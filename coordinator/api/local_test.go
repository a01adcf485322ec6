package api_test

import (
	"io"
	"log/slog"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc/codes"
	grpcstatus "google.golang.org/grpc/status"

	"lamplighter/coordinator/api"
	"lamplighter/coordinator/dispatch"
	"lamplighter/coordinator/people/accounts"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// TestLocal makes the calls of a remote client within the process: answers,
// streams and faults are the same.
func TestLocal(t *testing.T) {
	memory := storetest.New(t)
	at := time.Now()
	hushes := &fakeDispatch{given: dispatch.Given{Hush: 7, At: at, Beacons: []string{"hilltop-hf"}}, confirmed: []dispatch.Confirmation{
		{Beacon: "hilltop-hf", Site: "hilltop", Confirmed: true, At: at.Add(time.Second)},
	}}
	known, err := accounts.New(accounts.Options{Store: memory, Log: slog.New(slog.DiscardHandler), Metrics: prometheus.NewRegistry()})
	if err != nil {
		t.Fatal(err)
	}
	server, err := api.New(api.Options{
		Accounts: known, Open: true,
		Store: memory, Fleets: store.NewFleets(memory), Hushes: hushes, Configs: fakeConfigs{},
		Applied: func() {}, Log: slog.New(slog.DiscardHandler), Metrics: prometheus.NewRegistry(),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Stop)
	within := server.Local()

	fleets := apiv1.NewFleetServiceClient(within)
	_, err = fleets.ApplyFleet(t.Context(), &apiv1.ApplyFleetRequest{Yaml: "network: 3"})
	if grpcstatus.Code(err) != codes.InvalidArgument || len(grpcstatus.Convert(err).Details()) != 1 {
		t.Errorf("a wrong fleet file: %v", err)
	}
	if _, err := fleets.ApplyFleet(t.Context(), &apiv1.ApplyFleetRequest{Yaml: smallFleet}); err != nil {
		t.Fatal(err)
	}
	current, err := fleets.GetFleet(t.Context(), &apiv1.GetFleetRequest{})
	if err != nil || current.GetYaml() != smallFleet {
		t.Errorf("the fleet file came back as %v, %v", current, err)
	}

	stream, err := apiv1.NewHushServiceClient(within).Hush(t.Context(), &apiv1.HushRequest{Reason: "mast work"})
	if err != nil {
		t.Fatal(err)
	}
	first, err := stream.Recv()
	if err != nil || first.GetHush() != 7 {
		t.Errorf("first step %v, %v", first, err)
	}
	second, err := stream.Recv()
	if err != nil || second.GetBeacon() != "hilltop-hf" || !second.GetConfirmed() {
		t.Errorf("second step %v, %v", second, err)
	}
	if _, err := stream.Recv(); err != io.EOF { //nolint:errorlint // gRPC streams end with exactly this
		t.Errorf("the stream ended with %v", err)
	}

	stream, err = apiv1.NewHushServiceClient(within).Hush(t.Context(), &apiv1.HushRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); grpcstatus.Code(err) != codes.InvalidArgument {
		t.Errorf("a hush without a reason: %v", err)
	}
	if err := within.Invoke(t.Context(), "/no/Such", &apiv1.GetFleetRequest{}, &apiv1.GetFleetResponse{}); grpcstatus.Code(err) != codes.Unimplemented {
		t.Errorf("an unknown service: %v", err)
	}
}
