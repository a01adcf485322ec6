package app_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"lamplighter/coordinator/app"
	"lamplighter/coordinator/store/storetest"
	"lamplighter/coordinator/vault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/peertest"
	"lamplighter/proto/setup"
)

const smallFleet = `network: {name: Tern Valley, id: tern}
sites: [{name: hilltop, locator: IN87oa, time_zone: Etc/UTC}]
beacons:
  - {name: hilltop-hf, callsign: Q0TRN, site: hilltop, control: remote, power_dbm: 23, share: 0.1, bands: [40m, 20m]}
`

func options(t *testing.T) app.Options {
	t.Helper()
	return app.Options{
		Open: true,
		Dir:  t.TempDir(), Database: storetest.URL(t), GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", MQTT: "127.0.0.1:0",
		Log: slog.New(slog.DiscardHandler),
	}
}

func start(t *testing.T, o app.Options) *app.App {
	t.Helper()
	a, err := app.New(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.Stop)
	return a
}

func dial(t *testing.T, a *app.App) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient("passthrough:///"+a.Addr().GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

func apply(t *testing.T, a *app.App, yaml string) {
	t.Helper()
	if _, err := apiv1.NewFleetServiceClient(dial(t, a)).ApplyFleet(t.Context(), &apiv1.ApplyFleetRequest{File: "fleet.yaml", Yaml: yaml}); err != nil {
		t.Fatal(err)
	}
}

// get fetches a page.
func get(t *testing.T, a *app.App, path string) (int, string) {
	t.Helper()
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+a.Addr().HTTP+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := client.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close() //nolint:errcheck // it was read
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer.StatusCode, string(text)
}

// eventually waits until a condition holds, and looks again 50 times a second.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	patience := time.NewTimer(30 * time.Second)
	defer patience.Stop()
	for !holds() {
		select {
		case <-again.C:
		case <-patience.C:
			t.Fatalf("in vain: %s", what)
		}
	}
}

func TestItServesBeforeAndAfterTheFirstFleet(t *testing.T) {
	a := start(t, options(t))
	if code, text := get(t, a, "/healthz"); code != 200 || text != "ok\n" {
		t.Errorf("/healthz: %d %q", code, text)
	}
	if code, text := get(t, a, "/readyz"); code != 503 || text != "no fleet file is in force yet\n" {
		t.Errorf("/readyz: %d %q", code, text)
	}
	if a.Addr().MQTT != "" {
		t.Errorf("a broker listens at %s before the network is known", a.Addr().MQTT)
	}
	apply(t, a, smallFleet)
	eventually(t, "the network is up", func() bool { code, _ := get(t, a, "/readyz"); return code == 200 })
	answer, err := apiv1.NewBeaconServiceClient(dial(t, a)).GetAgentConfig(t.Context(), &apiv1.GetAgentConfigRequest{Beacon: "hilltop-hf"})
	if err != nil {
		t.Fatal(err)
	}
	file, err := setup.Decode("hilltop-hf.yaml", []byte(answer.GetYaml()))
	if err != nil || file.Broker != "tcp://"+a.Addr().MQTT || file.Network != "tern" || file.Site != "hilltop" {
		t.Errorf("%v, %+v", err, file)
	}
}

// Agents are not refused while the coordinator comes up: here its database never
// answers. When it gives up, nobody listens any more.
func TestAgentsMayWaitWhileItStarts(t *testing.T) {
	silent, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = silent.Close() })
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	o := options(t)
	other, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	o.Database, o.MQTT = "postgres://nobody@"+silent.Addr().String()+"/none", free.Addr().String()
	o.Secure = app.Secure{On: true, Devices: other.Addr().String()}
	if err := errors.Join(free.Close(), other.Close()); err != nil {
		t.Fatal(err)
	}
	a, err := app.New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, giveUp := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- a.Start(ctx) }()
	asked, err := silent.Accept()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = asked.Close() })
	for _, address := range []string{o.MQTT, o.Secure.Devices} {
		agent, err := net.Dial("tcp", address)
		if err != nil {
			t.Errorf("an agent is refused while the coordinator waits for its database: %v", err)
		} else {
			_ = agent.Close()
		}
	}
	giveUp()
	if err := <-ended; err == nil {
		t.Error("it has started without a database")
	}
	for _, address := range []string{o.MQTT, o.Secure.Devices} {
		if agent, err := net.Dial("tcp", address); err == nil {
			_ = agent.Close()
			t.Error("it has given up, and something still listens to agents")
		}
	}
}

// Without a fleet file there is nothing to wait for.
func TestAgentsAreRefusedWithoutAFleet(t *testing.T) {
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	o := options(t)
	o.MQTT = free.Addr().String()
	if err := free.Close(); err != nil {
		t.Fatal(err)
	}
	a := start(t, o)
	if agent, err := net.Dial("tcp", o.MQTT); err == nil {
		_ = agent.Close()
		t.Error("something listens to agents")
	}
	apply(t, a, smallFleet)
	eventually(t, "the broker listens", func() bool { return a.Addr().MQTT == o.MQTT })
	agent, err := net.Dial("tcp", o.MQTT)
	if err != nil {
		t.Fatal(err)
	}
	_ = agent.Close()
}

func TestItStopsWithNothingLeft(t *testing.T) {
	o := options(t)
	o.Fleet = &app.FleetFile{Name: "fleet.yaml", YAML: smallFleet}
	ignore := goleak.IgnoreCurrent()
	a, err := app.New(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	addresses := a.Addr()
	began := time.Now()
	a.Stop()
	a.Stop() // once is enough, twice does no harm
	if took := time.Since(began); took > 30*time.Second {
		t.Errorf("it took %v to stop", took)
	}
	for _, address := range []string{addresses.GRPC, addresses.HTTP, addresses.MQTT} {
		if conn, err := net.Dial("tcp", address); err == nil {
			_ = conn.Close()
			t.Errorf("something still listens at %s", address)
		}
	}
	goleak.VerifyNone(t, ignore)
}

func TestItStopsWhileSomebodyWatches(t *testing.T) {
	o := options(t)
	o.Fleet = &app.FleetFile{Name: "fleet.yaml", YAML: smallFleet}
	a := start(t, o)
	stream, err := apiv1.NewBeaconServiceClient(dial(t, a)).WatchBeacons(t.Context(), &apiv1.WatchBeaconsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	a.Stop()
	if took := time.Since(began); took > 30*time.Second {
		t.Errorf("it took %v to stop", took)
	}
}

func TestWhatIsWrongAtTheStartIsSaid(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close() //nolint:errcheck // the test is over
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		change func(*app.Options)
		says   string
	}{
		{"a port that is taken", func(o *app.Options) { o.GRPC = taken.Addr().String() }, "another program may have the port"},
		{"a database that is not there", func(o *app.Options) { o.Database = "postgres://nobody@127.0.0.1:1/none" }, "is Postgres running there"},
		{"a database URL that is none", func(o *app.Options) { o.Database = "postgres://%%" }, "write postgres://"},
		{"a folder that is a file", func(o *app.Options) { o.Dir = file }, "not a directory"},
		{"a wrong fleet file", func(o *app.Options) { o.Fleet = &app.FleetFile{Name: "fleet.yaml", YAML: "network: {}"} }, "fleet.yaml:1"},
	} {
		o := options(t)
		c.change(&o)
		a, err := app.New(o)
		if err != nil {
			t.Errorf("%s: refused too early: %v", c.name, err)
			continue
		}
		if err := a.Start(t.Context()); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; want %q", c.name, err, c.says)
		}
	}
}

func TestTwoCoordinatorsShareOneDatabase(t *testing.T) {
	o := options(t)
	first := start(t, o)
	second := o
	second.Dir = t.TempDir()
	key, err := os.ReadFile(filepath.Join(o.Dir, vault.FileName)) // copied once, as the manual says
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(second.Dir, vault.FileName), key, 0o600); err != nil {
		t.Fatal(err)
	}
	other := start(t, second)
	apply(t, first, smallFleet)
	eventually(t, "the other one follows the fleet file", func() bool { return other.Addr().MQTT != "" })
	shown := func(a *app.App) bool {
		_, text := get(t, a, "/metrics")
		return strings.Contains(text, "lamplighter_beacon_up{")
	}
	eventually(t, "one of them leads", func() bool { return shown(first) || shown(other) })
	leader, follower := first, other
	if shown(other) {
		leader, follower = other, first
	}
	if shown(follower) {
		t.Error("both show the beacons' metrics")
	}
	leader.Stop()
	eventually(t, "the other one takes the lead", func() bool { return shown(follower) })
}

func TestPromtoolHasNothingToSayOfAllMetrics(t *testing.T) {
	o := options(t)
	o.Fleet = &app.FleetFile{Name: "fleet.yaml", YAML: smallFleet}
	a := start(t, o)
	var text string
	eventually(t, "it leads", func() bool {
		_, text = get(t, a, "/metrics")
		return strings.Contains(text, "lamplighter_beacon_up{")
	})
	check := exec.Command(peertest.Find(t, "promtool"), "check", "metrics")
	check.Stdin = strings.NewReader(text)
	var said bytes.Buffer
	check.Stdout, check.Stderr = &said, &said
	if err := check.Run(); err != nil || said.Len() > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, &said)
	}
	// One beacon may have 60 series, and all the rest 500.
	series := 0
	for line := range strings.Lines(text) {
		if !strings.HasPrefix(line, "#") {
			series++
		}
	}
	if series > 560 {
		t.Errorf("%d series for one beacon, and at most 560 may be", series)
	}
	for _, name := range []string{"orders", "receipts", "intake_lag", "planner_seconds"} {
		if !strings.Contains(text, name) {
			t.Errorf("no metric speaks of %s:\n%s", name, names(text))
		}
	}
}

func names(text string) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "# TYPE lamplighter") {
			fmt.Fprint(&b, line)
		}
	}
	return b.String()
}
