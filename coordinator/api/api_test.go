package api_test

import (
	"context"
	"log/slog"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	reflectionv1 "google.golang.org/grpc/reflection/grpc_reflection_v1"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/api"
	"lamplighter/coordinator/dispatch"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/people/accounts"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/setup"
)

const smallFleet = `network: {name: Tern Valley, id: tern}
sites:
  - {name: hilltop, locator: IN87oa, time_zone: Etc/UTC}
  - {name: mill, locator: IN77vx, time_zone: Etc/UTC}
beacons:
  - {name: hilltop-hf, callsign: Q0TRN, site: hilltop, control: remote, power_dbm: 23, share: 0.1, bands: [40m, 20m]}
  - {name: mill-hf, callsign: Q1TRN, site: mill, control: remote, power_dbm: 23, share: 0.1, bands: [30m]}
`

// fakeDispatch stands for dispatch.
type fakeDispatch struct {
	mu        sync.Mutex
	orders    []dispatch.HushOrder
	given     dispatch.Given
	confirmed []dispatch.Confirmation
	released  dispatch.Released
	panics    bool
}

func (f *fakeDispatch) Give(_ context.Context, order dispatch.HushOrder) (dispatch.Given, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.panics {
		panic("the cupboard is bare")
	}
	f.orders = append(f.orders, order)
	return f.given, nil
}

func (f *fakeDispatch) Confirmations(context.Context, int64) ([]dispatch.Confirmation, error) {
	return f.confirmed, nil
}

func (f *fakeDispatch) Confirmed(context.Context, int64, []string) ([]dispatch.Confirmation, error) {
	return slices.DeleteFunc(slices.Clone(f.confirmed), func(c dispatch.Confirmation) bool { return !c.Confirmed }), nil
}

func (f *fakeDispatch) Release(context.Context, fleet.Scope, string, string) (dispatch.Released, error) {
	return f.released, nil
}

type fakeConfigs struct{}

func (fakeConfigs) AgentConfig(f *fleet.Fleet, _ store.FleetVersion, b *fleet.Beacon) (*setup.File, error) {
	return &setup.File{Network: f.Network.ID, Site: b.Site.Name, Beacon: b.Name}, nil
}

// lockedText is what the server logs.
type lockedText struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *lockedText) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(b)
}

func (l *lockedText) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// served is a server with a client.
type served struct {
	*grpc.ClientConn
	store    *store.Store
	dispatch *fakeDispatch
	metrics  *prometheus.Registry
	log      *lockedText
	applied  int
}

func serve(t *testing.T) *served {
	t.Helper()
	s := &served{store: storetest.New(t), dispatch: &fakeDispatch{}, metrics: prometheus.NewRegistry(), log: &lockedText{}}
	known, err := accounts.New(accounts.Options{Store: s.store, Log: slog.New(slog.DiscardHandler), Metrics: s.metrics})
	if err != nil {
		t.Fatal(err)
	}
	server, err := api.New(api.Options{
		Accounts: known, Open: true,
		Store: s.store, Fleets: store.NewFleets(s.store), Hushes: s.dispatch, Configs: fakeConfigs{},
		Applied: func() { s.applied++ }, Log: slog.New(slog.NewTextHandler(s.log, nil)), Metrics: s.metrics,
	})
	if err != nil {
		t.Fatal(err)
	}
	listener := bufconn.Listen(1 << 20)
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(listener) }()
	s.ClientConn, err = grpc.NewClient("passthrough:///memory", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		server.Stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func (s *served) apply(t *testing.T, yaml string) *apiv1.ApplyFleetResponse {
	t.Helper()
	present, err := s.store.CurrentFleet(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	answer, err := apiv1.NewFleetServiceClient(s).ApplyFleet(t.Context(), &apiv1.ApplyFleetRequest{File: "fleet.yaml", Yaml: yaml, BasedOn: present.Version})
	if err != nil {
		t.Fatal(err)
	}
	return answer
}

// told takes an error apart as a client sees it.
func told(t *testing.T, err error) (codes.Code, *apiv1.Fault, string) {
	t.Helper()
	answer, ok := grpcstatus.FromError(err)
	if err == nil || !ok {
		t.Fatalf("no status but %v", err)
	}
	for _, detail := range answer.Details() {
		if f, ok := detail.(*apiv1.Fault); ok {
			return answer.Code(), f, answer.Message()
		}
	}
	return answer.Code(), nil, answer.Message()
}

func TestAFleetFileIsAppliedAndShown(t *testing.T) {
	s := serve(t)
	fleets := apiv1.NewFleetServiceClient(s)
	if got, err := fleets.GetFleet(t.Context(), &apiv1.GetFleetRequest{}); err != nil || got.GetVersion() != 0 || got.GetAppliedAt() != nil {
		t.Fatalf("before the first: %v, %v", got, err)
	}
	first := s.apply(t, smallFleet)
	if first.GetVersion() != 1 || len(first.GetChanges()) != 1 || len(first.GetWarnings()) == 0 || s.applied != 1 {
		t.Errorf("the first: %v, and it was told %d times", first, s.applied)
	}
	next := strings.Replace(smallFleet, "share: 0.1, bands: [30m]", "share: 0.2, bands: [30m]", 1)
	diff, err := fleets.DiffFleet(t.Context(), &apiv1.DiffFleetRequest{File: "fleet.yaml", Yaml: next})
	if err != nil || diff.GetVersion() != 1 || len(diff.GetChanges()) != 1 || diff.GetChanges()[0] != "beacon mill-hf: share 0.1 -> 0.2" {
		t.Errorf("the difference: %v, %v", diff, err)
	}
	if second := s.apply(t, next); second.GetVersion() != 2 || second.GetChanges()[0] != diff.GetChanges()[0] {
		t.Errorf("the second: %v", second)
	}
	shown, err := fleets.GetFleet(t.Context(), &apiv1.GetFleetRequest{})
	if err != nil || shown.GetVersion() != 2 || shown.GetYaml() != next || shown.GetAppliedBy() == "" || shown.GetAppliedAt() == nil {
		t.Errorf("shown: %v, %v", shown, err)
	}
}

func TestAWrongFleetIsRefusedWholeWithEveryPlace(t *testing.T) {
	s := serve(t)
	s.apply(t, smallFleet)
	wrong := strings.NewReplacer("site: mill,", "site: mil,", "callsign: Q0TRN", "callsign: Q0TOOLONG").Replace(smallFleet)
	_, err := apiv1.NewFleetServiceClient(s).ApplyFleet(t.Context(), &apiv1.ApplyFleetRequest{File: "fleet.yaml", Yaml: wrong})
	code, fault, sentence := told(t, err)
	if code != codes.InvalidArgument || fault.GetField() != "yaml" || !strings.Contains(sentence, "refused whole") {
		t.Errorf("%v, %v, %q", code, fault, sentence)
	}
	lines := map[int32]bool{}
	for _, f := range fault.GetFindings() {
		lines[f.GetLine()] = f.GetFile() == "fleet.yaml" && f.GetColumn() > 0 && f.GetSentence() != ""
	}
	if !lines[6] || !lines[7] {
		t.Errorf("findings %v, want some in lines 6 and 7", fault.GetFindings())
	}
	if v, err := s.store.CurrentFleet(t.Context()); err != nil || v.Version != 1 || v.YAML != smallFleet {
		t.Errorf("in force is %+v, %v", v, err)
	}
}

func TestEachRequestIsBounded(t *testing.T) {
	s := serve(t)
	s.apply(t, smallFleet)
	fleets, hushes, beacons := apiv1.NewFleetServiceClient(s), apiv1.NewHushServiceClient(s), apiv1.NewBeaconServiceClient(s)
	hush := func(r *apiv1.HushRequest) error {
		stream, err := hushes.Hush(t.Context(), r)
		if err != nil {
			return err
		}
		_, err = stream.Recv()
		return err
	}
	apply := func(r *apiv1.ApplyFleetRequest) error { _, err := fleets.ApplyFleet(t.Context(), r); return err }
	config := func(beacon string) error {
		_, err := beacons.GetAgentConfig(t.Context(), &apiv1.GetAgentConfigRequest{Beacon: beacon})
		return err
	}
	release := func(r *apiv1.ReleaseRequest) error { _, err := hushes.Release(t.Context(), r); return err }
	scope := func(site, beacon, band string) *apiv1.HushedScope {
		return &apiv1.HushedScope{Site: site, Beacon: beacon, Band: band}
	}
	for _, c := range []struct {
		name  string
		err   error
		code  codes.Code
		field string
	}{
		{"a file name too long", apply(&apiv1.ApplyFleetRequest{File: strings.Repeat("x", 4097), Yaml: smallFleet}), codes.InvalidArgument, "file"},
		{"a file too long", apply(&apiv1.ApplyFleetRequest{Yaml: strings.Repeat("#", 16<<20+1)}), codes.InvalidArgument, "yaml"},
		{"a version below zero", apply(&apiv1.ApplyFleetRequest{Yaml: smallFleet, BasedOn: -1}), codes.InvalidArgument, "based_on"},
		{"no version over one that is in force", apply(&apiv1.ApplyFleetRequest{Yaml: smallFleet + "#"}), codes.Aborted, "based_on"},
		{"an old version", apply(&apiv1.ApplyFleetRequest{Yaml: smallFleet + "#", BasedOn: 7}), codes.Aborted, "based_on"},
		{"another network", apply(&apiv1.ApplyFleetRequest{Yaml: strings.Replace(smallFleet, "id: tern", "id: other", 1)}), codes.FailedPrecondition, "network.id"},
		{"a hush without a reason", hush(&apiv1.HushRequest{}), codes.InvalidArgument, "reason"},
		{"a hush with too much reason", hush(&apiv1.HushRequest{Reason: strings.Repeat("ä", 501)}), codes.InvalidArgument, "reason"},
		{"a hush of no site", hush(&apiv1.HushRequest{Reason: "x", Scope: scope("harbour", "", "")}), codes.NotFound, "scope.site"},
		{"a hush of no beacon", hush(&apiv1.HushRequest{Reason: "x", Scope: scope("", "harbour-hf", "")}), codes.NotFound, "scope.beacon"},
		{"a hush of a beacon elsewhere", hush(&apiv1.HushRequest{Reason: "x", Scope: scope("mill", "hilltop-hf", "")}), codes.InvalidArgument, "scope"},
		{"a hush of a band not used there", hush(&apiv1.HushRequest{Reason: "x", Scope: scope("mill", "", "40m")}), codes.NotFound, "scope.band"},
		{"a reminder outside any calendar", hush(&apiv1.HushRequest{Reason: "x", RemindAt: &timestamppb.Timestamp{Seconds: 1 << 60}}), codes.InvalidArgument, "remind_at"},
		{"a release without a reason", release(&apiv1.ReleaseRequest{}), codes.InvalidArgument, "reason"},
		{"a release of too long a name", release(&apiv1.ReleaseRequest{Reason: "x", Scope: scope("", strings.Repeat("x", 65), "")}), codes.InvalidArgument, "scope.beacon"},
		{"a release of nothing", release(&apiv1.ReleaseRequest{Reason: "x"}), codes.NotFound, "scope"},
		{"a configuration for no id", config("Hilltop"), codes.InvalidArgument, "beacon"},
		{"a configuration for no beacon", config("harbour-hf"), codes.NotFound, "beacon"},
	} {
		code, fault, sentence := told(t, c.err)
		if code != c.code || fault.GetField() != c.field || sentence == "" {
			t.Errorf("%s: %v, field %q, %q; want %v, field %q", c.name, code, fault.GetField(), sentence, c.code, c.field)
		}
	}
	if len(s.dispatch.orders) != 0 {
		t.Errorf("dispatch was told of %v", s.dispatch.orders)
	}
}

func TestTooLargeAMessageIsNotEvenRead(t *testing.T) {
	s := serve(t)
	_, err := apiv1.NewFleetServiceClient(s).ApplyFleet(t.Context(), &apiv1.ApplyFleetRequest{Yaml: strings.Repeat("#", 17<<20)})
	if grpcstatus.Code(err) != codes.ResourceExhausted {
		t.Errorf("%v", err)
	}
}

func TestNothingWorksWithoutAFleetAndSaysSo(t *testing.T) {
	s := serve(t)
	if got, err := apiv1.NewBeaconServiceClient(s).ListBeacons(t.Context(), &apiv1.ListBeaconsRequest{}); err != nil || len(got.GetBeacons()) != 0 {
		t.Errorf("beacons: %v, %v", got, err)
	}
	if got, err := apiv1.NewPlanServiceClient(s).GetPlan(t.Context(), &apiv1.GetPlanRequest{}); err != nil || len(got.GetPlanJson()) != 0 {
		t.Errorf("plan: %v, %v", got, err)
	}
	_, err := apiv1.NewBeaconServiceClient(s).GetAgentConfig(t.Context(), &apiv1.GetAgentConfigRequest{Beacon: "mill-hf"})
	if code, _, sentence := told(t, err); code != codes.FailedPrecondition || !strings.Contains(sentence, "lamplighter fleet apply") {
		t.Errorf("%v, %q", code, sentence)
	}
}

func TestBeaconsAreListedAndConfigured(t *testing.T) {
	s := serve(t)
	s.apply(t, smallFleet)
	beacons := apiv1.NewBeaconServiceClient(s)
	list, err := beacons.ListBeacons(t.Context(), &apiv1.ListBeaconsRequest{})
	if err != nil || len(list.GetBeacons()) != 2 || list.GetBeacons()[1].GetBeacon() != "mill-hf" || list.GetBeacons()[1].GetState() != apiv1.BeaconState_BEACON_STATE_NEVER_SEEN {
		t.Errorf("%v, %v", list, err)
	}
	config, err := beacons.GetAgentConfig(t.Context(), &apiv1.GetAgentConfigRequest{Beacon: "mill-hf"})
	if err != nil || !strings.Contains(config.GetYaml(), "beacon: mill-hf") {
		t.Errorf("%v, %v", config, err)
	}
}

func TestWatchersHearOfChanges(t *testing.T) {
	s := serve(t)
	s.apply(t, smallFleet)
	stream, err := apiv1.NewBeaconServiceClient(s).WatchBeacons(t.Context(), &apiv1.WatchBeaconsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	first, err := stream.Recv()
	if err != nil || first.GetBeacons()[0].GetState() != apiv1.BeaconState_BEACON_STATE_NEVER_SEEN {
		t.Fatalf("%v, %v", first, err)
	}
	_, err = s.store.StoreReports(t.Context(), store.Reports{Presence: []store.Presence{{Beacon: "hilltop-hf", Run: strings.Repeat("a", 32), Connection: 1, Online: true}}})
	if err != nil {
		t.Fatal(err)
	}
	next, err := stream.Recv()
	if err != nil || next.GetBeacons()[0].GetState() != apiv1.BeaconState_BEACON_STATE_MUTE || next.GetBeacons()[0].GetMuteReason() != "no_report" {
		t.Errorf("%v, %v", next, err)
	}
}

func TestAHushIsToldBeaconByBeacon(t *testing.T) {
	s := serve(t)
	s.apply(t, smallFleet)
	at := time.Date(2026, 12, 1, 12, 0, 0, 0, time.UTC)
	s.dispatch.given = dispatch.Given{Hush: 7, At: at, Beacons: []string{"hilltop-hf", "mill-hf"}}
	s.dispatch.confirmed = []dispatch.Confirmation{
		{Beacon: "hilltop-hf", Site: "hilltop", Confirmed: true, At: at.Add(250 * time.Millisecond)},
		{Beacon: "mill-hf", Site: "mill", Confirmed: true, At: at.Add(500 * time.Millisecond)},
	}
	stream, err := apiv1.NewHushServiceClient(s).Hush(t.Context(), &apiv1.HushRequest{Reason: "a trial", RemindAt: timestamppb.New(at)})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []*apiv1.HushResponse{
		{Hush: 7, Beacons: 2},
		{Hush: 7, Beacons: 2, Beacon: "hilltop-hf", Site: "hilltop", Confirmed: true, AfterSeconds: 0.25},
		{Hush: 7, Beacons: 2, Beacon: "mill-hf", Site: "mill", Confirmed: true, AfterSeconds: 0.5},
	} {
		got, err := stream.Recv()
		if err != nil || got.String() != want.String() {
			t.Fatalf("step %d is %v, %v; want %v", i, got, err, want)
		}
	}
	if _, err := stream.Recv(); err == nil {
		t.Error("it goes on after the last beacon")
	}
	if o := s.dispatch.orders[0]; o.Reason != "a trial" || !o.RemindAt.Equal(at) || o.By == "" {
		t.Errorf("ordered was %+v", o)
	}
}

func TestAPanicIsAnInternalErrorThatTellsNothing(t *testing.T) {
	s := serve(t)
	s.apply(t, smallFleet)
	s.dispatch.panics = true
	stream, err := apiv1.NewHushServiceClient(s).Hush(t.Context(), &apiv1.HushRequest{Reason: "a trial"})
	if err != nil {
		t.Fatal(err)
	}
	_, err = stream.Recv()
	code, _, sentence := told(t, err)
	if code != codes.Internal || strings.Contains(sentence, "cupboard") {
		t.Errorf("%v, %q", code, sentence)
	}
	if !strings.Contains(s.log.String(), "cupboard") {
		t.Error("the log does not say what happened")
	}
}

func TestHealthAndReflectionAnswer(t *testing.T) {
	s := serve(t)
	for _, service := range []string{"", "lamplighter.api.v1.BeaconService"} {
		answer, err := healthv1.NewHealthClient(s).Check(t.Context(), &healthv1.HealthCheckRequest{Service: service})
		if err != nil || answer.GetStatus() != healthv1.HealthCheckResponse_SERVING {
			t.Errorf("%q: %v, %v", service, answer, err)
		}
	}
	stream, err := reflectionv1.NewServerReflectionClient(s).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Send(&reflectionv1.ServerReflectionRequest{MessageRequest: &reflectionv1.ServerReflectionRequest_ListServices{}}); err != nil {
		t.Fatal(err)
	}
	answer, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]bool{}
	for _, service := range answer.GetListServicesResponse().GetService() {
		names[service.GetName()] = true
	}
	for _, name := range []string{"FleetService", "BeaconService", "HushService", "PlanService"} {
		if !names["lamplighter.api.v1."+name] {
			t.Errorf("%s is not listed among %v", name, names)
		}
	}
}

func TestThePlanInForceIsShownAsItWasStored(t *testing.T) {
	s := serve(t)
	s.apply(t, smallFleet)
	election, err := s.store.Election(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer election.Close(t.Context()) //nolint:errcheck // the test is over
	epoch, err := election.TakeLead(t.Context(), "a test")
	if err != nil {
		t.Fatal(err)
	}
	from := time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	made := &plan.Plan{Network: "Tern Valley", From: from, To: from.Add(time.Hour), SlotSeconds: 120}
	if err := s.store.SavePlan(t.Context(), epoch, 1, made); err != nil {
		t.Fatal(err)
	}
	got, err := apiv1.NewPlanServiceClient(s).GetPlan(t.Context(), &apiv1.GetPlanRequest{})
	if err != nil || string(got.GetPlanJson()) != string(made.Encode()) || got.GetFleetVersion() != 1 || got.GetMadeAt() == nil {
		t.Errorf("%v, %v", got, err)
	}
}

func TestTheHushesInForceAreListed(t *testing.T) {
	s := serve(t)
	if got, err := apiv1.NewHushServiceClient(s).ListHushes(t.Context(), &apiv1.ListHushesRequest{}); err != nil || len(got.GetHushes()) != 0 {
		t.Errorf("%v, %v", got, err)
	}
}
