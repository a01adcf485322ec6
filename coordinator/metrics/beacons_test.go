package metrics_test

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	dto "github.com/prometheus/client_model/go"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/metrics"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/peertest"
)

var update = flag.Bool("update", false, "write the golden files anew")

const twoBeacons = `network: {name: Tern Valley, id: tern}
sites: [{name: hilltop, locator: IN87oa, time_zone: Etc/UTC}]
beacons:
  - {name: a, callsign: Q0TRN, site: hilltop, control: remote, power_dbm: 23, share: 0.1, bands: [40m, 20m]}
  - {name: b, callsign: Q1TRN, site: hilltop, control: remote, power_dbm: 23, share: 0.1, bands: [30m]}
`

func collector(t *testing.T, leads bool) (*store.Store, *prometheus.Registry) {
	t.Helper()
	s, registry := storetest.New(t), prometheus.NewPedanticRegistry()
	registry.MustRegister(metrics.NewBeacons(t.Context(), s, store.NewFleets(s), func() bool { return leads }, slog.New(slog.DiscardHandler)))
	return s, registry
}

func apply(t *testing.T, s *store.Store, yaml string) {
	t.Helper()
	if _, err := s.ApplyFleet(t.Context(), store.FleetVersion{Network: "tern", SlotSeconds: 120, File: "fleet.yaml", YAML: yaml, AppliedBy: "a test"}, store.Whatever); err != nil {
		t.Fatal(err)
	}
}

// report lets beacon a say how it is, and that two slots are over.
func report(t *testing.T, s *store.Store) {
	t.Helper()
	run := strings.Repeat("a", 32)
	health := &wirev1.Health{
		Lock: wirev1.Lock_LOCK_LOCKED, ClockErrorBoundNs: proto.Int64(1_000_000), FrequencyUncertaintyPpb: proto.Float64(50),
		Run: run, Beacon: "a", Network: "tern",
		SilentInSeconds: proto.Uint64(3600), Satellites: proto.Uint32(8), TemperatureCelsius: proto.Float64(-4), SupplyVolts: proto.Float64(13.8),
		ForwardWatts: proto.Float64(5), ReflectedWatts: proto.Float64(0), DiskFreeBytes: proto.Uint64(1000), OutboxRecords: 12, UptimeSeconds: 60,
	}
	message, err := proto.Marshal(health)
	if err != nil {
		t.Fatal(err)
	}
	now, err := s.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	reports := store.Reports{Health: []store.Health{{Beacon: "a", Run: run, LiveSeq: 1, Message: message}}}
	for i, kind := range []string{"sent", "sent", "skipped"} {
		reports.Records = append(reports.Records, store.Record{
			RecordKey: store.RecordKey{Beacon: "a", Boot: run, Seq: int64(i + 1)}, RecordedDay: now.Truncate(1),
			Kind: "outcome", Body: []byte{byte(i)}, Digest: []byte{byte(i)},
			Outcome: &store.Outcome{Slot: int64(i), StartAt: &now, Band: "40m", Kind: kind, MessageKind: "full", Control: "remote"},
		})
	}
	if _, err := s.StoreReports(t.Context(), reports); err != nil {
		t.Fatal(err)
	}
	election, err := s.Election(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer election.Close(t.Context()) //nolint:errcheck // the test is over
	epoch, err := election.TakeLead(t.Context(), "a test")
	if err != nil {
		t.Fatal(err)
	}
	err = s.AsLeader(t.Context(), epoch, func(ctx context.Context, tx *store.LeaderTx) error {
		granted, expires := tx.Now, tx.Now.Add(180e9)
		return tx.SaveLeases(ctx, store.Lease{Beacon: "a", Run: run, BootID: "kernel", HeardAt: tx.Now, GrantedAt: &granted, ExpiresAt: &expires})
	})
	if err != nil {
		t.Fatal(err)
	}
}

func gather(t *testing.T, registry *prometheus.Registry) map[string]*dto.MetricFamily {
	t.Helper()
	families, err := registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	byName := map[string]*dto.MetricFamily{}
	for _, family := range families {
		byName[family.GetName()] = family
	}
	return byName
}

// samples lists a family's samples as label values and value.
func samples(family *dto.MetricFamily) []string {
	var lines []string
	for _, m := range family.GetMetric() {
		var words []string
		for _, label := range m.GetLabel() {
			words = append(words, label.GetName()+"="+label.GetValue())
		}
		lines = append(lines, fmt.Sprintf("%s %g", strings.Join(words, " "), m.GetGauge().GetValue()+m.GetCounter().GetValue()))
	}
	return lines
}

func TestWhatIsKnownIsShownAndWhatIsNotIsNoSample(t *testing.T) {
	s, registry := collector(t, true)
	apply(t, s, twoBeacons)
	report(t, s)
	got := gather(t, registry)
	for name, want := range map[string][]string{
		"lamplighter_beacon_up":                          {"beacon=a site=hilltop 1", "beacon=b site=hilltop 0"},
		"lamplighter_beacon_gps_lock":                    {"beacon=a site=hilltop 1"},
		"lamplighter_beacon_frequency_uncertainty_ratio": {"beacon=a site=hilltop 5e-08"},
		"lamplighter_beacon_temperature_celsius":         {"beacon=a site=hilltop -4"},
		"lamplighter_beacon_supply_volts":                {"beacon=a site=hilltop 13.8"},
		"lamplighter_beacon_reflected_watts":             {"beacon=a site=hilltop 0"},
		"lamplighter_beacon_outbox_records":              {"beacon=a site=hilltop 12"},
		"lamplighter_beacon_transmissions_total":         {"band=40m beacon=a outcome=sent site=hilltop 2", "band=40m beacon=a outcome=skipped site=hilltop 1"},
	} {
		if diff := cmp.Diff(want, samples(got[name])); diff != "" {
			t.Errorf("%s (-want +got)\n%s", name, diff)
		}
	}
	now, err := s.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for name, bounds := range map[string][2]float64{
		"lamplighter_beacon_last_seen_timestamp_seconds": {float64(now.Unix()) - 60, float64(now.Unix()) + 1},
		"lamplighter_beacon_clock_error_bound_seconds":   {0.001, 0.0016}, // grown for up to a minute
		"lamplighter_beacon_lease_remaining_seconds":     {120, 180},
	} {
		metric := got[name].GetMetric()
		if len(metric) != 1 || metric[0].GetGauge().GetValue() < bounds[0] || metric[0].GetGauge().GetValue() > bounds[1] {
			t.Errorf("%s is %v, want one value within %v", name, metric, bounds)
		}
	}
}

func TestOnlyTheLeaderShowsBeacons(t *testing.T) {
	s, registry := collector(t, false)
	apply(t, s, twoBeacons)
	report(t, s)
	if got := gather(t, registry); len(got) != 0 {
		t.Errorf("a coordinator that does not lead shows %v", got)
	}
}

func TestABeaconThatLeftIsGoneAtOnce(t *testing.T) {
	s, registry := collector(t, true)
	apply(t, s, twoBeacons)
	report(t, s)
	without := twoBeacons[:strings.Index(twoBeacons, "  - {name: a,")] + twoBeacons[strings.Index(twoBeacons, "  - {name: b,"):]
	apply(t, s, without)
	for name, family := range gather(t, registry) {
		for _, sample := range samples(family) {
			if strings.Contains(sample, "beacon=a ") {
				t.Errorf("%s still has %s", name, sample)
			}
		}
	}
}

func TestPromtoolHasNothingToSay(t *testing.T) {
	s, registry := collector(t, true)
	apply(t, s, twoBeacons)
	report(t, s)
	page := httptest.NewRecorder()
	promhttp.HandlerFor(registry, promhttp.HandlerOpts{}).ServeHTTP(page, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	text := page.Body.Bytes()
	if page.Code != 200 || !bytes.Contains(text, []byte(`lamplighter_beacon_up{beacon="a",site="hilltop"} 1`)) {
		t.Fatalf("status %d, %s", page.Code, text)
	}
	check := exec.Command(peertest.Find(t, "promtool"), "check", "metrics")
	check.Stdin = bytes.NewReader(text)
	if said, err := check.CombinedOutput(); err != nil || len(said) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, said)
	}
	var names strings.Builder
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "# ") {
			names.WriteString(line)
		}
	}
	file := filepath.Join("testdata", "beacons.txt")
	if *update {
		if err := os.WriteFile(file, []byte(names.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), names.String()); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}
