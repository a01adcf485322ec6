package console_test

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/console"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// began is when every scene begins: in the middle of a transmission.
var began = time.Date(2026, 12, 1, 12, 0, 31, 0, time.UTC)

// valley is an invented network with a little of everything.
const valley = `network: {name: Tern Valley Schools, id: tern-valley}
sites:
  - {name: hilltop, locator: IN87oa, time_zone: Etc/UTC, transmitters_at_once: 2}
  - {name: mill, locator: IN87ob, time_zone: Europe/Paris}
  - {name: harbour, locator: IN95cc, time_zone: Etc/UTC}
beacons:
  - {name: hilltop-hf, callsign: Q0TRN, site: hilltop, control: remote, power_dbm: 23, share: 0.3, shared: [mast], uncertainty_ppm: 0.05, bands: [40m, {name: 20m, weight: 2}], licence: {max_power_dbm: 30}, notes: ["The feed line is 40 m long and was new in May."]}
  - {name: hilltop-vhf, callsign: Q1TRN, site: hilltop, control: automatic, power_dbm: 37, share: 0.4, uncertainty_ppm: 0.05, bands: [10m, 6m], licence: {max_power_dbm: 40}}
  - {name: mill-a, callsign: Q2ABC, site: mill, control: remote, power_dbm: 23, share: 0.6, uncertainty_ppm: 0.05, bands: [40m, 30m], licence: {max_power_dbm: 30}}
  - {name: mill-b, callsign: Q2DEF, site: mill, control: remote, power_dbm: 20, share: 0.7, announce: 6, uncertainty_ppm: 0.05, bands: [20m, 17m], licence: {max_power_dbm: 30}}
  - {name: harbour-a, callsign: Q3JKL, site: harbour, control: remote, power_dbm: 37, share: 0.25, uncertainty_ppm: 0.05, bands: [80m], licence: {max_power_dbm: 40}}
alerts:
  recipients:
    - {name: club, mail: club@example.org}
    - {name: kim, service: chat, time_zone: Europe/Paris, routes: [{severity: warning, sites: [mill], hours: "08:00-22:00"}, {severity: safety, after_minutes: 15}]}
reports: [{mail: secretary@example.org}, {mail: head@example.org, site: mill}]
public: {page: true}
pauses:
  - {scope: {beacon: mill-b}, rrule: "FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR", start: 2026-11-02T09:00:00, duration: 2h, reason: class hours}
`

// stage plays the services of a coordinator, with everything in memory.
type stage struct {
	apiv1.UnimplementedBeaconServiceServer
	apiv1.UnimplementedFleetServiceServer
	apiv1.UnimplementedHushServiceServer
	apiv1.UnimplementedPlanServiceServer
	apiv1.UnimplementedHistoryServiceServer
	apiv1.UnimplementedAlertServiceServer
	apiv1.UnimplementedReportServiceServer
	apiv1.UnimplementedAuditServiceServer
	apiv1.UnimplementedPeopleServiceServer
	apiv1.UnimplementedHeardServiceServer
	apiv1.UnimplementedDeviceServiceServer
	apiv1.UnimplementedPublicServiceServer

	url     string
	web     *httptest.Server
	console *console.Console
	access  *access
	gone    atomic.Bool // nobody is answered
	away    atomic.Bool // the database is

	mu        sync.Mutex
	fleet     *fleet.Fleet
	file      *apiv1.GetFleetResponse
	plan      *plan.Plan
	beacons   map[string]*apiv1.Beacon
	hushes    []*apiv1.HushInForce
	confirmed map[string]bool
	alerts    *apiv1.ListAlertsResponse
	silences  []*apiv1.Silence
	people    []*apiv1.Person
	asked     int    // times the beacons were asked for
	letIn     string // a beacon that a device may be let in for
}

// access is a person who can be told to leave.
type access struct {
	mu     sync.Mutex
	person console.Person
	known  bool
	may    map[console.Action]bool
	sites  []string // at which; nil: everywhere
}

func (a *access) Who(context.Context) (console.Person, bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.person, a.known
}

func (a *access) May(_ context.Context, do console.Action) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.may[do]
}

func (a *access) MayAt(ctx context.Context, do console.Action, site string) bool {
	a.mu.Lock()
	elsewhere := a.sites != nil && !slices.Contains(a.sites, site)
	a.mu.Unlock()
	return !elsewhere && a.May(ctx, do)
}

func (a *access) LogIn() string { return "/enter" }

func (a *access) LogOut() string { return "/leave" }

func (a *access) Account() string { return "/own" }

// leave ends the person's session.
func (a *access) leave() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.known = false
}

// The roles, as far as pages differ by them.
var roles = map[string][]console.Action{
	"viewer":   {console.Look},
	"operator": {console.Look, console.Hush, console.Release, console.Acknowledge},
	"admin":    {console.Look, console.Hush, console.Release, console.ChangeFleet, console.Enrol, console.Acknowledge, console.ReadTrail, console.ManagePeople},
}

// open opens a stage with a fleet, or an empty one, for a person of a role.
func open(t testing.TB, yaml, role string) *stage {
	t.Helper()
	s := &stage{
		file: &apiv1.GetFleetResponse{}, beacons: map[string]*apiv1.Beacon{}, confirmed: map[string]bool{},
		alerts: &apiv1.ListAlertsResponse{}, people: []*apiv1.Person{
			{Name: "kim", Role: "operator", Sites: []string{"mill", "harbour"}, Contact: "on the club's channel", CreatedAt: timestamppb.New(began)},
			{Name: "robin", Role: "admin", CreatedAt: timestamppb.New(began)},
		},
		access: &access{person: console.Person{Name: "Robin", Role: role}, known: true, may: map[console.Action]bool{}},
	}
	for _, do := range roles[role] {
		s.access.may[do] = true
	}
	if yaml != "" {
		s.put(t, yaml)
	}
	server, listener := grpc.NewServer(), bufconn.Listen(1<<20)
	apiv1.RegisterBeaconServiceServer(server, s)
	apiv1.RegisterFleetServiceServer(server, s)
	apiv1.RegisterHushServiceServer(server, s)
	apiv1.RegisterPlanServiceServer(server, s)
	apiv1.RegisterHistoryServiceServer(server, s)
	apiv1.RegisterAlertServiceServer(server, s)
	apiv1.RegisterReportServiceServer(server, s)
	apiv1.RegisterAuditServiceServer(server, s)
	apiv1.RegisterPeopleServiceServer(server, s)
	apiv1.RegisterHeardServiceServer(server, s)
	apiv1.RegisterDeviceServiceServer(server, s)
	apiv1.RegisterPublicServiceServer(server, s)
	go server.Serve(listener) //nolint:errcheck // ends with Stop
	conn, err := grpc.NewClient("passthrough:///stage", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	s.console = console.New(console.Options{Services: conn, Access: s.access, Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Now: s.now})
	s.web = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if s.gone.Load() {
			panic(http.ErrAbortHandler)
		}
		s.console.ServeHTTP(w, r)
	}))
	s.url = s.web.URL
	t.Cleanup(func() {
		s.console.Stop()
		s.web.CloseClientConnections()
		s.web.Close()
		_ = conn.Close()
		server.Stop()
	})
	return s
}

// now is always when the scene begins, however long a test takes.
func (s *stage) now() time.Time { return began }

// put puts a fleet in force, with a plan for it and beacons that are well.
func (s *stage) put(t testing.TB, yaml string) {
	t.Helper()
	if _, err := s.apply(yaml, "Kim"); err != nil {
		t.Fatal(err)
	}
}

func (s *stage) apply(yaml, by string) (int64, error) {
	read, err := fleet.Read("fleet file", []byte(yaml))
	if err != nil {
		return 0, err
	}
	from := read.Network.Slot.Start(read.Network.Slot.At(began) - 30)
	made, err := planner.Make(planner.Input{Fleet: read, From: from, To: from.Add(24 * time.Hour)}, nil)
	if err != nil {
		return 0, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.fleet, s.plan = read, made
	s.file = &apiv1.GetFleetResponse{Version: s.file.GetVersion() + 1, Yaml: yaml, AppliedAt: timestamppb.New(s.now()), AppliedBy: by}
	s.beacons = map[string]*apiv1.Beacon{}
	for _, b := range read.Beacons {
		s.beacons[b.Name] = s.well(b)
	}
	return s.file.GetVersion(), nil
}

// well is a beacon at work: on the air where the plan says so.
func (s *stage) well(b *fleet.Beacon) *apiv1.Beacon {
	shown := &apiv1.Beacon{
		Site: b.Site.Name, Beacon: b.Name, State: apiv1.BeaconState_BEACON_STATE_READY, Lock: apiv1.LockState_LOCK_STATE_LOCKED,
		ClockErrorSeconds: proto.Float64(0.0012), FrequencyUncertaintyRatio: proto.Float64(2e-8), OnAir: proto.Bool(false),
		LastSeen: timestamppb.New(began), LeaseUntil: timestamppb.New(began.Add(170 * time.Second)), OrdersRevision: proto.String("7.1"),
		SentToday: proto.Int32(31), SkippedToday: proto.Int32(1),
	}
	length := s.fleet.Network.Slot
	for _, x := range s.plan.Transmissions {
		switch {
		case x.Beacon != b.Name:
		case length.At(x.Start) == length.At(began):
			shown.State, shown.OnAir, shown.Band, shown.FrequencyHz = apiv1.BeaconState_BEACON_STATE_ON_AIR, proto.Bool(true), proto.String(x.Band), proto.Float64(x.FrequencyHz)
			shown.OnAirUntil = timestamppb.New(x.Start.Add(length.Timing().End()))
		case x.Start.After(began) && shown.NextStart == nil:
			shown.NextStart, shown.NextBand = timestamppb.New(x.Start), proto.String(x.Band)
		}
	}
	return shown
}

// change changes what a beacon is.
func (s *stage) change(beacon string, to func(*apiv1.Beacon)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	changed := proto.CloneOf(s.beacons[beacon])
	to(changed)
	s.beacons[beacon] = changed
}

// confirm lets a beacon's keyer confirm silence.
func (s *stage) confirm(beacon string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.confirmed[beacon] = true
}

func (s *stage) ListBeacons(context.Context, *apiv1.ListBeaconsRequest) (*apiv1.ListBeaconsResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.asked++
	answer := &apiv1.ListBeaconsResponse{}
	if s.fleet != nil {
		for _, b := range s.fleet.Beacons {
			answer.Beacons = append(answer.Beacons, s.beacons[b.Name])
		}
	}
	return answer, nil
}

func (s *stage) GetAgentConfig(_ context.Context, r *apiv1.GetAgentConfigRequest) (*apiv1.GetAgentConfigResponse, error) {
	return &apiv1.GetAgentConfigResponse{Yaml: "beacon: " + r.GetBeacon() + "\n"}, nil
}

func (s *stage) GetFleet(context.Context, *apiv1.GetFleetRequest) (*apiv1.GetFleetResponse, error) {
	if s.away.Load() {
		return nil, grpcstatus.Error(codes.Internal, "the database does not answer")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.file, nil
}

// refused is a fleet file's refusal, as the services tell it.
func refused(err error) error {
	detail := &apiv1.Fault{Field: "yaml"}
	if findings, ok := err.(fleet.Findings); ok { //nolint:errorlint // fleet.Read returns exactly this
		for _, f := range findings {
			detail.Findings = append(detail.Findings, &apiv1.Finding{Line: int32(f.Line), Column: int32(f.Column), Sentence: f.Sentence})
		}
	}
	status, _ := grpcstatus.New(codes.InvalidArgument, "the fleet file is refused whole, and what was in force stays").WithDetails(detail)
	return status.Err()
}

func (s *stage) DiffFleet(_ context.Context, r *apiv1.DiffFleetRequest) (*apiv1.DiffFleetResponse, error) {
	next, err := fleet.Read("fleet file", []byte(r.GetYaml()))
	if err != nil {
		return nil, refused(err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	answer := &apiv1.DiffFleetResponse{Version: s.file.GetVersion()}
	if s.fleet != nil {
		for _, c := range fleet.Changes(s.fleet, next) {
			answer.Changes = append(answer.Changes, c.String())
		}
	}
	return answer, nil
}

func (s *stage) ApplyFleet(_ context.Context, r *apiv1.ApplyFleetRequest) (*apiv1.ApplyFleetResponse, error) {
	s.mu.Lock()
	inForce := s.file.GetVersion()
	s.mu.Unlock()
	if r.GetBasedOn() != inForce {
		return nil, grpcstatus.Errorf(codes.Aborted, "version %d is in force by now, and this change was made from version %d", inForce, r.GetBasedOn())
	}
	version, err := s.apply(r.GetYaml(), "Robin")
	if err != nil {
		return nil, refused(err)
	}
	return &apiv1.ApplyFleetResponse{Version: version}, nil
}

func (s *stage) GetPlan(context.Context, *apiv1.GetPlanRequest) (*apiv1.GetPlanResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.plan == nil {
		return &apiv1.GetPlanResponse{}, nil
	}
	return &apiv1.GetPlanResponse{PlanJson: s.plan.Encode(), MadeAt: timestamppb.New(began), FleetVersion: s.file.GetVersion()}, nil
}

func (s *stage) Hush(r *apiv1.HushRequest, stream grpc.ServerStreamingServer[apiv1.HushResponse]) error {
	if strings.TrimSpace(r.GetReason()) == "" {
		return grpcstatus.Error(codes.InvalidArgument, "say why, for those who will ask")
	}
	if s.away.Load() {
		return stream.Send(&apiv1.HushResponse{Beacons: int32(len(s.fleet.Beacons)), Ahead: true})
	}
	s.mu.Lock()
	h := &apiv1.HushInForce{Hush: int64(len(s.hushes) + 1), Scope: r.GetScope(), Reason: r.GetReason(), GivenBy: "Robin", Since: timestamppb.New(s.now())}
	s.hushes = append(s.hushes, h)
	s.mu.Unlock()
	return stream.Send(&apiv1.HushResponse{Hush: h.GetHush(), Beacons: int32(len(s.fleet.Beacons))})
}

func (s *stage) ListHushes(ctx context.Context, _ *apiv1.ListHushesRequest) (*apiv1.ListHushesResponse, error) {
	if s.away.Load() { // and says nothing at all
		<-ctx.Done()
		return nil, ctx.Err()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return &apiv1.ListHushesResponse{Hushes: s.hushes}, nil
}

func (s *stage) Release(_ context.Context, r *apiv1.ReleaseRequest) (*apiv1.ReleaseResponse, error) {
	if strings.TrimSpace(r.GetReason()) == "" {
		return nil, grpcstatus.Error(codes.InvalidArgument, "say why, for those who will ask")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	released := len(s.hushes)
	s.hushes = nil
	return &apiv1.ReleaseResponse{Released: int32(released)}, nil
}

func (s *stage) GetHush(_ context.Context, r *apiv1.GetHushRequest) (*apiv1.GetHushResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	answer := &apiv1.GetHushResponse{}
	for _, h := range s.hushes {
		if h.GetHush() == r.GetHush() {
			answer.Hush = h
		}
	}
	for _, b := range s.fleet.Beacons {
		if use := answer.GetHush().GetScope().GetSite(); use == "" || use == b.Site.Name {
			told := &apiv1.HushResponse{Hush: r.GetHush(), Beacon: b.Name, Site: b.Site.Name, Confirmed: s.confirmed[b.Name]}
			if !told.Confirmed {
				told.SilentBy = s.beacons[b.Name].GetLeaseUntil()
			}
			answer.Beacons = append(answer.Beacons, told)
		}
	}
	return answer, nil
}

// ListSlots tells the plan as orders: what is over was sent, but for a few.
func (s *stage) ListSlots(_ context.Context, r *apiv1.ListSlotsRequest) (*apiv1.ListSlotsResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fleet == nil {
		return &apiv1.ListSlotsResponse{}, nil
	}
	length := s.fleet.Network.Slot
	answer := &apiv1.ListSlotsResponse{SlotSeconds: int64(length)}
	for i, x := range s.plan.Transmissions {
		if x.Start.Before(r.GetFrom().AsTime()) || !x.Start.Before(r.GetTo().AsTime()) || r.GetBeacon() != "" && r.GetBeacon() != x.Beacon {
			continue
		}
		slot := &apiv1.LedgerSlot{Beacon: x.Beacon, Slot: int64(length.At(x.Start)), Band: x.Band, FrequencyHz: x.FrequencyHz, Extended: x.Message == plan.Extended, Ending: apiv1.SlotEnding_SLOT_ENDING_OPEN}
		if x.Start.Add(length.Duration()).Before(began) {
			slot.Ending = apiv1.SlotEnding_SLOT_ENDING_SENT
			switch i % 11 {
			case 3:
				slot.Ending, slot.Reason = apiv1.SlotEnding_SLOT_ENDING_SKIPPED, "clock_unsure"
			case 7:
				slot.Ending, slot.Reason = apiv1.SlotEnding_SLOT_ENDING_ABORTED, "hushed"
			}
		}
		answer.Slots = append(answer.Slots, slot)
	}
	return answer, nil
}

// ListHealth tells of a day with half an hour without a fix.
func (s *stage) ListHealth(_ context.Context, r *apiv1.ListHealthRequest) (*apiv1.ListHealthResponse, error) {
	answer := &apiv1.ListHealthResponse{}
	from, to := r.GetFrom().AsTime(), r.GetTo().AsTime()
	for i := range 300 {
		at := from.Add(time.Duration(i) * to.Sub(from) / 300)
		sample := &apiv1.HealthSample{
			At: timestamppb.New(at), Lock: apiv1.LockState_LOCK_STATE_LOCKED, ClockErrorSeconds: proto.Float64(0.0011),
			FrequencyUncertaintyRatio: proto.Float64(1e-8 * (1 + 0.1*float64(i%7))), Satellites: proto.Uint32(uint32(8 + i%3)),
			TemperatureCelsius: proto.Float64(14 + 6*float64(i%97)/97), Version: "1.2.0",
		}
		if i > 150 && i < 190 {
			sample.Lock, sample.Satellites = apiv1.LockState_LOCK_STATE_HOLDOVER, proto.Uint32(0)
			sample.ClockErrorSeconds = proto.Float64(0.0011 + 0.004*float64(i-150))
		}
		answer.Samples = append(answer.Samples, sample)
	}
	return answer, nil
}

// crowd is a fleet of so many beacons on far sites of ten.
func crowd(beacons int) string {
	var yaml strings.Builder
	yaml.WriteString("network: {name: A nation, near_km: 1}\nsites:\n")
	for i := range (beacons + 9) / 10 {
		fmt.Fprintf(&yaml, "  - {name: s%03d, locator: %c%c%d%d, time_zone: Etc/UTC, transmitters_at_once: 10}\n", i, 'E'+i%8, 'G'+i/8%8, i/64%10, i%10)
	}
	yaml.WriteString("beacons:\n")
	for i := range beacons {
		fmt.Fprintf(&yaml, "  - {name: b%04d, callsign: Q%d%c%c%c, site: s%03d, control: remote, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.05, bands: [%s]}\n",
			i, i%10, 'A'+i/10%26, 'A'+i/260%26, 'A'+i%26, i/10, []string{"160m", "80m", "60m", "40m", "30m", "20m", "17m", "15m", "12m", "10m"}[i%10])
	}
	return yaml.String()
}
