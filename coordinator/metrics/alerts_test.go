package metrics_test

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/metrics"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
)

func TestOpenAlertsAreCountedByCondition(t *testing.T) {
	s := storetest.New(t)
	session, err := s.Election(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close(context.Background()) //nolint:errcheck // the epoch is taken
	epoch, err := session.TakeLead(t.Context(), "test")
	if err != nil {
		t.Fatal(err)
	}
	list := []*alert.Alert{
		{Key: alert.Key{Code: alert.GPSLost, Site: "a", Beacon: "a-1"}, State: alert.Raised, Since: time.Now()},
		{Key: alert.Key{Code: alert.GPSLost, Site: "a", Beacon: "a-2"}, State: alert.Unsteady, Since: time.Now()},
		{Key: alert.Key{Code: alert.GPSLost, Site: "a", Beacon: "a-3"}, State: alert.Raised, Since: time.Now(), HiddenBy: alert.SiteDark},
		{Key: alert.Key{Code: alert.GPSLost, Site: "a", Beacon: "a-4"}, State: alert.Pending, Since: time.Now()},
		{Key: alert.Key{Code: alert.GPSLost, Site: "a", Beacon: "a-5"}, State: alert.Raised, Since: time.Now(), Closed: true},
		{Key: alert.Key{Code: alert.KeyStuck, Site: "a", Beacon: "a-1"}, State: alert.Acknowledged, Since: time.Now()},
	}
	err = s.AsLeader(t.Context(), epoch, func(ctx context.Context, tx *store.LeaderTx) error { return tx.SaveAlerts(ctx, list) })
	if err != nil {
		t.Fatal(err)
	}
	for _, leads := range []bool{true, false} {
		registry := prometheus.NewPedanticRegistry()
		registry.MustRegister(metrics.NewAlerts(t.Context(), s, func() bool { return leads }, slog.New(slog.DiscardHandler)))
		got := map[string]float64{}
		for _, m := range gather(t, registry)["lamplighter_alerts_open"].GetMetric() {
			got[m.GetLabel()[0].GetValue()+" "+m.GetLabel()[1].GetValue()] = m.GetGauge().GetValue()
		}
		if !leads {
			if len(got) != 0 {
				t.Errorf("a coordinator that does not lead shows %v", got)
			}
			continue
		}
		if len(got) != len(alert.Conditions()) || got["gps_lost warning"] != 2 || got["key_stuck safety"] != 1 || got["too_hot warning"] != 0 {
			t.Errorf("got %v", got)
		}
	}
}
