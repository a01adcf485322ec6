package app

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/fleet"
)

// Promise A1, for what no stored alert can tell of: in virtual time.
func TestADatabaseThatIsAwayIsToldByWhoLed(t *testing.T) {
	f, err := fleet.Read("f.yaml", []byte(`
network: {name: trial}
sites: [{name: hill, locator: JO62qm}]
beacons: [{name: hill-a, site: hill, callsign: Q1ABC, control: automatic, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.05, bands: [10m]}]
alerts: {recipients: [{name: ada, mail: ada@club.example}]}
`))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name  string
		leads bool
		away  time.Duration
		want  string
	}{
		{"ten minutes", true, 10 * time.Minute, "began over"},
		{"a moment", true, 40 * time.Second, ""},
		{"another one leads", false, 10 * time.Minute, ""},
	} {
		synctest.Test(t, func(t *testing.T) {
			ctx, end := context.WithCancel(t.Context())
			gone := time.Now().Add(5 * time.Minute)
			away := func() bool { now := time.Now(); return !now.Before(gone) && now.Before(gone.Add(c.away)) }
			var events []string
			l := lifeline{
				ping: func(ctx context.Context) error {
					if away() {
						<-ctx.Done()
						return errors.New("no answer")
					}
					return nil
				},
				leads:   func() bool { return c.leads && time.Now().Before(gone.Add(10*time.Second)) }, // the lead is lost with it
				current: func(context.Context) *fleet.Fleet { return f },
				tell: func(_ context.Context, _ *fleet.Fleet, m alert.Message) {
					events = append(events, string(m.What))
					if took := time.Since(gone); m.What == alert.Began && (took < 60*time.Second || took > 90*time.Second || !strings.Contains(m.Text, "no answer from its database since 20")) {
						t.Errorf("%s: told after %s:\n%s", c.name, took, m.Text)
					}
				},
			}
			done := make(chan struct{})
			go func() { defer close(done); l.run(ctx) }()
			<-time.After(time.Hour)
			end()
			<-done
			if got := strings.Join(events, " "); got != c.want {
				t.Errorf("%s: told %q, want %q", c.name, got, c.want)
			}
		})
	}
}
