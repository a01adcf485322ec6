package api

import (
	"context"
	"io"
	"log/slog"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/dispatch"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/people"
	"lamplighter/coordinator/people/accounts"
	"lamplighter/coordinator/people/trail"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// methods are all methods of our services, as they are described.
func methods() []protoreflect.MethodDescriptor {
	var all []protoreflect.MethodDescriptor
	protoregistry.GlobalFiles.RangeFilesByPackage("lamplighter.api.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for j := range service.Methods().Len() {
				all = append(all, service.Methods().Get(j))
			}
		}
		return true
	})
	return all
}

func path(m protoreflect.MethodDescriptor) string {
	return "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
}

// A new method has no rule until somebody says who may call it, and this fails.
func TestEachMethodHasARule(t *testing.T) {
	described := map[string]bool{}
	for _, m := range methods() {
		described[path(m)] = true
		if _, ok := rules[path(m)]; !ok {
			t.Errorf("no rule says who may call %s: add it to rules", path(m))
		}
	}
	for method := range rules {
		if strings.HasPrefix(method, "/lamplighter.") && !described[method] {
			t.Errorf("there is a rule for %s, which does not exist", method)
		}
	}
}

// least says who may call each method, written apart from the rules: nobody in
// particular, a viewer, an operator of the site, or an admin.
var least = map[string]string{
	"AccountService/LogIn": "nobody", "AccountService/ChoosePassword": "nobody", "PublicService/GetPublic": "nobody",
	"AccountService/WhoAmI": "viewer", "AccountService/CreateToken": "viewer", "AccountService/ListTokens": "viewer",
	"AccountService/RevokeToken": "viewer",
	"PeopleService/ListPeople":   "admin", "PeopleService/AddPerson": "admin", "PeopleService/ChangePerson": "admin",
	"PeopleService/EndPerson": "admin", "PeopleService/ResetPassword": "admin",
	"AuditService/ListEntries": "admin", "AuditService/VerifyTrail": "admin",
	"DutyService/GetDuty": "viewer", "DutyService/StartDuty": "operator", "DutyService/ConfirmDuty": "operator",
	"DutyService/EndDuty": "operator", "DutyService/AddTurn": "operator", "DutyService/RemoveTurn": "operator",
	"BeaconService/ListBeacons": "viewer", "BeaconService/WatchBeacons": "viewer", "BeaconService/GetAgentConfig": "admin",
	"FleetService/GetFleet": "viewer", "FleetService/DiffFleet": "viewer", "FleetService/ApplyFleet": "admin",
	"PlanService/GetPlan": "viewer", "HistoryService/ListSlots": "viewer", "HistoryService/ListHealth": "viewer",
	"HistoryService/GetHush": "viewer", "HushService/Hush": "operator", "HushService/Release": "operator",
	"HushService/ListHushes":    "viewer",
	"DeviceService/ListDevices": "viewer", "DeviceService/ListDeviceEvents": "viewer", "DeviceService/GivePermit": "admin",
	"DeviceService/RevokeDevice": "admin", "DeviceService/ReadmitDevice": "admin",
	"ReportService/GetReport": "viewer", "ReportService/Who": "viewer",
	"HeardService/ListUnmatched": "viewer", "HeardService/ProposeCorrections": "viewer",
	"HeardService/AddReceptions": "everywhere",
	"AlertService/ListAlerts":    "viewer", "AlertService/ListSilences": "viewer", "AlertService/TestAlerts": "admin",
	"AlertService/AcknowledgeAlert": "operator", "AlertService/EndSilence": "everywhere", "AlertService/AddSilence": "operator",
}

// callers, from the least trusted, and what they may call. An operator of another
// site may do there what a viewer may; "everywhere" is one of all sites.
var callers = map[string][]string{
	"nobody":              {"nobody"},
	"a token made up":     {"nobody"},
	"viewer":              {"nobody", "viewer"},
	"operator elsewhere":  {"nobody", "viewer"},
	"operator":            {"nobody", "viewer", "operator"},
	"operator everywhere": {"nobody", "viewer", "operator", "everywhere"},
	"admin":               {"nobody", "viewer", "operator", "everywhere", "admin"},
	"admin's viewer":      {"nobody", "viewer"}, // a token that gives less than its person has
	"ended":               {"nobody"},
	"must choose":         {"nobody"}, // and WhoAmI
}

// noDispatch takes every order and does nothing.
type noDispatch struct{}

func (noDispatch) Give(context.Context, dispatch.HushOrder) (dispatch.Given, error) {
	return dispatch.Given{}, nil
}

func (noDispatch) Confirmations(context.Context, int64) ([]dispatch.Confirmation, error) {
	return nil, nil
}

func (noDispatch) Confirmed(context.Context, int64, []string) ([]dispatch.Confirmation, error) {
	return nil, nil
}

func (noDispatch) Release(context.Context, fleet.Scope, string, string) (dispatch.Released, error) {
	return dispatch.Released{}, nil
}

// gated is a server where people have to log in.
type gated struct {
	*grpc.ClientConn
	store    *store.Store
	url      string // of the database
	accounts *accounts.Accounts
	tokens   map[string]string
}

const twoSites = `network: {name: Tern Valley, id: tern}
sites: [{name: mill, locator: IN77vx}, {name: hilltop, locator: IN87oa}]
beacons:
  - {name: mill-hf, callsign: Q1TRN, site: mill, control: remote, power_dbm: 23, share: 0.1, bands: [30m]}
`

func closedServer(t *testing.T) *gated {
	t.Helper()
	log := slog.New(slog.DiscardHandler)
	url := storetest.URL(t)
	g := &gated{url: url, store: storetest.Open(t, url, store.Options{LockTimeout: 2 * time.Second}), tokens: map[string]string{"a token made up": "lamplighter-token-MADEUP"}}
	var err error
	if g.accounts, err = accounts.New(accounts.Options{Store: g.store, Log: log, Metrics: prometheus.NewRegistry()}); err != nil {
		t.Fatal(err)
	}
	server, err := New(Options{
		Store: g.store, Fleets: store.NewFleets(g.store), Hushes: noDispatch{}, Applied: func() {}, DeviceAddress: func() string { return "" },
		Accounts: g.accounts, Log: log, Metrics: prometheus.NewRegistry(),
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := g.store.ApplyFleet(t.Context(), store.FleetVersion{Network: "tern", SlotSeconds: 120, YAML: twoSites}, 0); err != nil {
		t.Fatal(err)
	}
	g.people(t)
	listener := bufconn.Listen(1 << 20)
	go server.Serve(listener) //nolint:errcheck // it ends with the test
	g.ClientConn, err = grpc.NewClient("passthrough:///memory", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { server.Stop(); _ = g.Close() })
	return g
}

// people makes the accounts with a token each.
func (g *gated) people(t *testing.T) {
	t.Helper()
	for who, a := range map[string]store.Account{
		"viewer":              {Name: "vera", Role: people.Viewer, Sites: []string{"mill"}},
		"operator":            {Name: "otto", Role: people.Operator, Sites: []string{"mill"}},
		"operator elsewhere":  {Name: "erna", Role: people.Operator, Sites: []string{"hilltop"}},
		"operator everywhere": {Name: "emil", Role: people.Operator, Sites: []string{people.Everywhere}},
		"admin":               {Name: "ada", Role: people.Admin},
		"ended":               {Name: "gone", Role: people.Admin},
		"must choose":         {Name: "nils", Role: people.Admin},
	} {
		if who == "must choose" {
			later := time.Now().Add(time.Hour)
			a.GivenUntil = &later
		}
		if err := g.store.AddAccount(t.Context(), a); err != nil {
			t.Fatal(err)
		}
		g.tokens[who] = g.token(t, a.Person(), a.Role)
	}
	g.tokens["admin's viewer"] = g.token(t, people.Person{Name: "ada", Role: people.Admin}, people.Viewer)
	if err := g.store.EndAccount(t.Context(), "gone"); err != nil {
		t.Fatal(err)
	}
}

func (g *gated) token(t *testing.T, p people.Person, role people.Role) string {
	t.Helper()
	secret, _, err := g.accounts.MakeToken(t.Context(), p, "a trial", role, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	return secret
}

// as is the context of a call by one of the callers.
func (g *gated) as(t *testing.T, who string) context.Context {
	if secret, ok := g.tokens[who]; ok {
		return metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+secret)
	}
	return t.Context()
}

// request is an empty request for the site mill, where it can name one.
func request(t *testing.T, m protoreflect.MethodDescriptor) proto.Message {
	t.Helper()
	kind, err := protoregistry.GlobalTypes.FindMessageByName(m.Input().FullName())
	if err != nil {
		t.Fatal(err)
	}
	message := kind.New()
	if site := m.Input().Fields().ByName("site"); site != nil && site.Kind() == protoreflect.StringKind {
		message.Set(site, protoreflect.ValueOfString("mill"))
	}
	made := message.Interface()
	if scope := m.Input().Fields().ByName("scope"); scope != nil && scope.Message().FullName() == "lamplighter.api.v1.HushedScope" {
		message.Set(scope, protoreflect.ValueOfMessage((&apiv1.HushedScope{Site: "mill"}).ProtoReflect()))
	}
	return made
}

// call makes one call and says how it ended.
func (g *gated) call(ctx context.Context, t *testing.T, m protoreflect.MethodDescriptor) codes.Code {
	t.Helper()
	kind, err := protoregistry.GlobalTypes.FindMessageByName(m.Output().FullName())
	if err != nil {
		t.Fatal(err)
	}
	answer := kind.New().Interface()
	if !m.IsStreamingServer() {
		return grpcstatus.Code(g.Invoke(ctx, path(m), request(t, m), answer))
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := g.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, path(m))
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.SendMsg(request(t, m)); err != nil && err != io.EOF { //nolint:errorlint // gRPC says exactly this
		t.Fatal(err)
	}
	_ = stream.CloseSend()
	return grpcstatus.Code(stream.RecvMsg(answer))
}

// Every method, by everybody: exactly those get in who may.
func TestWhoMayCallWhat(t *testing.T) {
	g := closedServer(t)
	for _, m := range methods() {
		name := strings.TrimPrefix(path(m), "/lamplighter.api.v1.")
		needs, ok := least[name]
		if !ok {
			t.Errorf("this test does not know who may call %s", name)
			continue
		}
		for who, may := range callers {
			want := slices.Contains(may, needs) || who == "must choose" && name == "AccountService/WhoAmI"
			code := g.call(g.as(t, who), t, m)
			if code == codes.Unimplemented {
				continue // nothing is there to get in to
			}
			if name == "AccountService/LogIn" || name == "AccountService/ChoosePassword" {
				if code == codes.PermissionDenied {
					t.Errorf("%s by %s: %v", name, who, code)
				}
				continue // a wrong password looks like a stranger
			}
			if got := code != codes.PermissionDenied && code != codes.Unauthenticated; got != want {
				t.Errorf("%s by %s: %v, want let in %v", name, who, code, want)
			}
			stranger := who == "nobody" || who == "a token made up" || who == "ended"
			if !want && stranger != (code == codes.Unauthenticated) {
				t.Errorf("%s by %s: %v", name, who, code)
			}
		}
	}
}

// An operator of one site can't reach beyond it by naming no site, a beacon of
// another one, or one that does not exist.
func TestNobodyReachesBeyondTheirSites(t *testing.T) {
	g := closedServer(t)
	for _, c := range []struct {
		who   string
		scope *apiv1.HushedScope
		want  bool
	}{
		{"operator", &apiv1.HushedScope{Site: "mill"}, true},
		{"operator", &apiv1.HushedScope{Beacon: "mill-hf"}, true},
		{"operator", &apiv1.HushedScope{Site: "mill", Band: "30m"}, true},
		{"operator", &apiv1.HushedScope{Band: "30m"}, false},
		{"operator", nil, false},
		{"operator", &apiv1.HushedScope{Site: "hilltop"}, false},
		{"operator", &apiv1.HushedScope{Site: "hilltop", Beacon: "mill-hf"}, true}, // whose it is counts; the service refuses the scope
		{"operator", &apiv1.HushedScope{Site: "mill", Beacon: "not-there"}, false},
		{"operator elsewhere", &apiv1.HushedScope{Beacon: "mill-hf"}, false},
		{"operator elsewhere", &apiv1.HushedScope{Site: "hilltop", Beacon: "mill-hf"}, false},
		{"operator everywhere", nil, true},
		{"admin", nil, true},
	} {
		_, err := apiv1.NewHushServiceClient(g).Release(g.as(t, c.who), &apiv1.ReleaseRequest{Scope: c.scope, Reason: "a trial"})
		if got := grpcstatus.Code(err) != codes.PermissionDenied; got != c.want {
			t.Errorf("%s, %v: %v", c.who, c.scope, err)
		}
	}
}

// Whoever may silence a site's alerts may end that, and nobody of another site;
// what silences the whole network is for those of all sites.
func TestASilenceIsEndedByThoseOfItsSite(t *testing.T) {
	g := closedServer(t)
	service := apiv1.NewAlertServiceClient(g)
	until := timestamppb.New(time.Now().Add(time.Hour))
	add := func(who string, r *apiv1.AddSilenceRequest) int64 {
		t.Helper()
		r.Condition, r.Reason, r.Until = "gps_lost", "mast work", until
		made, err := service.AddSilence(g.as(t, who), r)
		if err != nil {
			t.Fatal(err)
		}
		return made.GetSilence().GetNumber()
	}
	site := add("operator", &apiv1.AddSilenceRequest{Site: "mill"})
	beacon := add("operator", &apiv1.AddSilenceRequest{Beacon: "mill-hf"})
	whole := add("operator everywhere", &apiv1.AddSilenceRequest{})
	for _, c := range []struct {
		who    string
		number int64
		want   codes.Code
	}{
		{"operator elsewhere", site, codes.PermissionDenied},
		{"operator elsewhere", beacon, codes.PermissionDenied},
		{"operator", whole, codes.PermissionDenied},
		{"operator", 999, codes.PermissionDenied},
		{"viewer", site, codes.PermissionDenied},
		{"operator", site, codes.OK},
		{"operator", beacon, codes.OK},
		{"operator everywhere", whole, codes.OK},
		{"operator everywhere", 999, codes.NotFound},
	} {
		_, err := service.EndSilence(g.as(t, c.who), &apiv1.EndSilenceRequest{Number: c.number})
		if got := grpcstatus.Code(err); got != c.want {
			t.Errorf("%s, silence %d: %v, want %v", c.who, c.number, err, c.want)
		}
	}
}

// What is changed stands in the trail before and after, with who, from where and
// how it was; secrets don't.
func TestTheTrailSaysWhoDidWhat(t *testing.T) {
	g := closedServer(t)
	peoples := apiv1.NewPeopleServiceClient(g)
	added, err := peoples.AddPerson(g.as(t, "admin"), &apiv1.AddPersonRequest{Person: &apiv1.Person{Name: "kim", Role: "viewer"}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := peoples.ChangePerson(g.as(t, "admin"), &apiv1.ChangePersonRequest{Person: &apiv1.Person{Name: "kim", Role: "operator", Sites: []string{"mill"}}}); err != nil {
		t.Fatal(err)
	}
	_, _ = peoples.EndPerson(g.as(t, "operator"), &apiv1.EndPersonRequest{Name: "kim"})
	_, _ = apiv1.NewAccountServiceClient(g).LogIn(t.Context(), &apiv1.LogInRequest{Name: "kim", Password: "a bad guess of mine"})
	stream, err := apiv1.NewHushServiceClient(g).Hush(g.as(t, "operator"), &apiv1.HushRequest{Scope: &apiv1.HushedScope{Site: "mill"}, Reason: "mast work"})
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = stream.Recv()
	}
	// An order to be silent waits for no trail: its entries may come later.
	patience := time.After(3 * time.Minute)
	for written := 0; written < 2; {
		entries, err := g.store.Trail(t.Context(), store.TrailSearch{Action: "Hush", Most: 10})
		if err != nil {
			t.Fatal(err)
		}
		written = len(entries)
		select {
		case <-time.After(20 * time.Millisecond):
		case <-patience:
			t.Fatal("the trail has nothing of a hush")
		}
	}
	var lines []string
	var all strings.Builder
	var checker trail.Checker
	err = g.store.WalkTrail(t.Context(), func(e trail.Entry) bool {
		lines = append(lines, strings.Join([]string{e.Person, e.Via, e.From, e.Action, e.Site, string(e.Outcome)}, " "))
		all.WriteString(e.Details + "\n")
		if reason := checker.Next(e); reason != trail.Whole {
			t.Errorf("entry %d: %s", e.Number, reason)
		}
		return false
	})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		"ada token bufconn PeopleService/AddPerson  asked", "ada token bufconn PeopleService/AddPerson  done",
		"ada token bufconn PeopleService/ChangePerson  asked", "ada token bufconn PeopleService/ChangePerson  done",
		"otto token bufconn PeopleService/EndPerson  refused",
		"  bufconn AccountService/LogIn  failed",
		"otto token bufconn HushService/Hush mill asked", "otto token bufconn HushService/Hush mill done",
	}
	if !slices.Equal(lines, want) {
		t.Errorf("the trail:\n%s\nwant:\n%s", strings.Join(lines, "\n"), strings.Join(want, "\n"))
	}
	for _, secret := range []string{added.GetPassword(), "a bad guess of mine", g.tokens["admin"]} {
		if strings.Contains(all.String(), secret) {
			t.Errorf("a secret stands in the trail:\n%s", all.String())
		}
	}
	for _, told := range []string{`"before":{"name":"kim","role":"viewer"`, `"reason":"mast work"`, `"reason":"role_too_low"`, `"kind":"not_known"`} {
		if !strings.Contains(all.String(), told) {
			t.Errorf("%s is missing in\n%s", told, all.String())
		}
	}
}

// Whoever asks for silence has it, while the trail can't be written, while nobody
// can be looked up, and while it can't be said which fleet is in force; everything
// else waits for the first two.
func TestNothingHoldsSilenceUp(t *testing.T) {
	g := closedServer(t)
	hush := func() error {
		stream, err := apiv1.NewHushServiceClient(g).Hush(g.as(t, "operator"), &apiv1.HushRequest{Scope: &apiv1.HushedScope{Site: "mill"}, Reason: "interference"})
		if err != nil {
			return err
		}
		if _, err = stream.Recv(); err != nil {
			return err
		}
		if _, err = stream.Recv(); err != io.EOF { //nolint:errorlint // gRPC says exactly this
			return err
		}
		return nil
	}
	release := func() error {
		_, err := apiv1.NewHushServiceClient(g).Release(g.as(t, "operator"), &apiv1.ReleaseRequest{Scope: &apiv1.HushedScope{Site: "mill"}, Reason: "it is over"})
		return err
	}
	if err := hush(); err != nil { // who this is is known from now on
		t.Fatal(err)
	}
	for _, table := range []string{"trail", "tokens", "fleet_versions"} {
		conn, err := pgx.Connect(t.Context(), g.url)
		if err != nil {
			t.Fatal(err)
		}
		tx, err := conn.Begin(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := tx.Exec(t.Context(), "lock table "+table+" in access exclusive mode"); err != nil {
			t.Fatal(err)
		}
		if err := hush(); err != nil {
			t.Errorf("without %s a hush: %v", table, err)
		}
		if err := release(); table != "fleet_versions" && (err == nil || grpcstatus.Code(err) == codes.NotFound) {
			t.Errorf("without %s a release: %v", table, err)
		}
		if err := conn.Close(t.Context()); err != nil { // and the lock is gone
			t.Error(err)
		}
	}
	if err := release(); grpcstatus.Code(err) != codes.NotFound { // dispatch here has none
		t.Errorf("a release afterwards: %v", err)
	}
}
