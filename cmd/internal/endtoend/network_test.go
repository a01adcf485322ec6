package endtoend

import (
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5/pgxpool"

	"lamplighter/coordinator/broker/brokertest"
	"lamplighter/coordinator/store/storetest"
	"lamplighter/proto/setup"
)

// slotSeconds is the length of a slot in most tests: a transmission of 5.5 s.
const slotSeconds = 6

// fleetText is a network of three sites. The two at the hilltop share a mast.
func fleetText(slotSeconds int) string {
	return fmt.Sprintf(`
network: {name: Trial Valley, id: trial, slot_seconds: %d}
sites:
  - {name: hilltop, locator: IP62oa}
  - {name: mill, locator: IP53bb}
  - {name: harbour, locator: IP71aa, transmitters_at_once: 2}
beacons:
  - {name: hilltop-a, callsign: Q1AAA, site: hilltop, control: automatic, power_dbm: 23, share: 0.3, uncertainty_ppm: 0.05, shared: [mast], licence: {max_power_dbm: 30}, bands: [40m, 20m]}
  - {name: hilltop-b, callsign: Q1BBB, site: hilltop, control: automatic, power_dbm: 23, share: 0.3, uncertainty_ppm: 0.05, shared: [mast], licence: {max_power_dbm: 30}, bands: [40m, 20m]}
  - {name: mill-a, callsign: Q2CCC, site: mill, control: remote, announce: 6, power_dbm: 30, share: 0.3, uncertainty_ppm: 0.05, licence: {max_power_dbm: 30}, bands: [30m]}
  - {name: harbour-a, callsign: QX9/Q1DDD, site: harbour, control: automatic, announce: 6, power_dbm: 37, share: 0.4, uncertainty_ppm: 0.05, licence: {max_power_dbm: 40}, bands: [40m, 10m]}
receivers:
  - {name: club-rx, callsign: Q9RX, locator: IP62oa}
`, slotSeconds)
}

var beacons = []string{"hilltop-a", "hilltop-b", "mill-a", "harbour-a"}

// brokerKinds are the two brokers that every promise holds with.
var brokerKinds = []string{"embedded", "mosquitto"}

// network is a whole network on this machine.
type network struct {
	t                      *testing.T
	folder                 string
	grpc, http, mqtt       string // HOST:PORT
	database               string
	mosquitto              *brokertest.Mosquitto // nil: the broker is in the coordinator, or at external
	external               string                // URL of a broker of the test's own
	coordinator            *process
	agents                 map[string]*process
	rows                   *pgxpool.Pool
	operator, beaconAgent  string // the programs
	coordinators, launched int
}

// newNetwork starts a coordinator with a broker of the kind, puts the fleet in
// force and starts an agent for each beacon.
func newNetwork(t *testing.T, brokerKind, fleet string) *network {
	t.Helper()
	n := bareNetwork(t)
	if brokerKind == "mosquitto" {
		n.mosquitto = brokertest.StartMosquitto(t)
		n.mqtt = n.mosquitto.Addr()
	}
	n.startCoordinator()
	must(t, lamplighter, "fleet", "apply", "--server", n.grpc, write(t, n.folder, "fleet.yaml", fleet))
	for _, beacon := range beacons {
		n.configure(beacon)
		n.startAgent(beacon)
	}
	return n
}

// bareNetwork is a network with a database, in which nothing runs yet.
func bareNetwork(t *testing.T) *network {
	t.Helper()
	n := &network{
		t: t, folder: t.TempDir(), database: storetest.EmptyURL(t), agents: map[string]*process{}, operator: lamplighter, beaconAgent: lamplighterAgent,
		grpc: freeAddress(t), http: freeAddress(t), mqtt: freeAddress(t),
	}
	rows, err := pgxpool.New(t.Context(), n.database)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(rows.Close)
	n.rows = rows
	return n
}

func freeAddress(t *testing.T) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0") //nolint:noctx // closed at once
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = listener.Close() }()
	return listener.Addr().String()
}

func (n *network) startCoordinator() {
	n.t.Helper()
	n.coordinators++
	args := []string{"serve", "--open-on-loopback", "--dir", filepath.Join(n.folder, "coordinator"), "--database", n.database, "--grpc", n.grpc, "--http", n.http}
	switch {
	case n.mosquitto != nil:
		args = append(args, "--broker", n.mosquitto.URL())
	case n.external != "":
		args = append(args, "--broker", n.external)
	default:
		args = append(args, "--mqtt", n.mqtt)
	}
	n.coordinator = start(n.t, fmt.Sprintf("coordinator %d", n.coordinators), lamplighter, args...)
	n.coordinator.waitFor(`the coordinator is up`)
}

func (n *network) config(beacon string) string { return filepath.Join(n.folder, beacon+".yaml") }
func (n *network) tones(beacon string) string  { return filepath.Join(n.folder, beacon+".tones") }
func (n *network) home(beacon string) string   { return filepath.Join(n.folder, beacon) }

// configure writes an agent's configuration as a person does: the coordinator
// writes the file, and the folders are filled in.
func (n *network) configure(beacon string) {
	n.t.Helper()
	eventually(n.t, "a configuration for "+beacon, func() bool {
		return command(n.t, n.operator, "agent-config", "--server", n.grpc, beacon, "-o", n.config(beacon)).exit == 0
	})
	if info, err := os.Stat(n.config(beacon)); err != nil || info.Mode().Perm() != 0o600 {
		n.t.Fatalf("the agent's configuration may be read by others: %v, %v", info.Mode(), err)
	}
	text, err := os.ReadFile(n.config(beacon))
	if err != nil {
		n.t.Fatal(err)
	}
	file, err := setup.Decode(beacon, text)
	if err != nil {
		n.t.Fatal(err)
	}
	file.Folder, file.HealthSeconds = n.home(beacon), 1
	file.Transmitter.Log = n.tones(beacon)
	if text, err = file.Encode(); err != nil {
		n.t.Fatal(err)
	}
	write(n.t, n.folder, beacon+".yaml", string(text))
}

func (n *network) startAgent(beacon string) {
	n.t.Helper()
	n.launched++
	n.agents[beacon] = start(n.t, fmt.Sprintf("agent %s (start %d)", beacon, n.launched), n.beaconAgent, "run", "--config", n.config(beacon))
}

// status is one entry of what "lamplighter status --output json" prints.
type status struct {
	Site              string   `json:"site"`
	Beacon            string   `json:"beacon"`
	State             string   `json:"state"`
	Lock              string   `json:"lock"`
	ClockErrorSeconds *float64 `json:"clock_error_seconds"`
	LastSeen          *string  `json:"last_seen"`
	OnAir             *bool    `json:"on_air"`
	Band              *string  `json:"band"`
	OrdersRevision    *string  `json:"orders_revision"`
	LeaseUntil        *string  `json:"lease_until"`
	SentToday         *int     `json:"sent_today"`
	SkippedToday      *int     `json:"skipped_today"`

	MuteReason                *string         `json:"mute_reason"`
	FrequencyUncertaintyRatio *float64        `json:"frequency_uncertainty_ratio"`
	Vitals                    json.RawMessage `json:"vitals"`
}

func (n *network) status() map[string]status {
	n.t.Helper()
	r := command(n.t, lamplighter, "status", "--server", n.grpc, "--output", "json")
	if r.exit != 0 {
		return nil // the coordinator may be away just now
	}
	decoder := json.NewDecoder(strings.NewReader(r.stdout))
	decoder.DisallowUnknownFields()
	var list []status
	if err := decoder.Decode(&list); err != nil {
		n.t.Fatalf("%v in %s", err, r.stdout)
	}
	byBeacon := map[string]status{}
	for _, s := range list {
		byBeacon[s.Beacon] = s
	}
	return byBeacon
}

// count asks the database for one number.
func (n *network) count(query string, args ...any) int {
	n.t.Helper()
	var number int
	if err := n.rows.QueryRow(n.t.Context(), query, args...).Scan(&number); err != nil {
		n.t.Fatalf("%s: %v", query, err)
	}
	return number
}
