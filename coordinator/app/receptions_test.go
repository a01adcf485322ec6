package app_test

import (
	"io"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/app"
	"lamplighter/coordinator/store/storetest"
)

func TestReceptionsComeOverHTTPFromWhoMayBringThem(t *testing.T) {
	const yaml = `
network: {name: Little Net}
sites: [{name: a, locator: JO62QM}]
beacons: [{name: one, callsign: Q1ABC, site: a, control: remote, power_dbm: 23, share: 0.1, licence: {max_power_dbm: 30}, bands: [40m]}]
`
	for _, open := range []bool{true, false} {
		a, err := app.New(app.Options{
			Open: open, Dir: t.TempDir(), Database: storetest.URL(t), GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", MQTT: "127.0.0.1:0",
			Fleet: &app.FleetFile{Name: "fleet.yaml", YAML: yaml}, Log: slog.New(slog.DiscardHandler),
		})
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Start(t.Context()); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(a.Stop)
		at := time.Now().UTC().Add(-time.Hour).Format(time.RFC3339)
		bring := func(media, text string) (int, string) {
			t.Helper()
			answer, err := http.Post("http://"+a.Addr().HTTP+"/receptions", media, strings.NewReader(text))
			if err != nil {
				t.Fatal(err)
			}
			defer answer.Body.Close() //nolint:errcheck // read whole below
			said, err := io.ReadAll(answer.Body)
			if err != nil {
				t.Fatal(err)
			}
			return answer.StatusCode, strings.ReplaceAll(string(said), " ", "")
		}
		file := "time,callsign,frequency_hz,receiver,receiver_locator\n" + at + ",Q1ABC,7040100,Q9XYZ,FN42AX\n"
		code, said := bring("text/csv; charset=utf-8", file)
		if !open {
			if code == http.StatusOK {
				t.Errorf("a stranger brought reports: %d %s", code, said)
			}
			continue
		}
		if code != http.StatusOK || !strings.Contains(said, `"unmatched":"1"`) {
			t.Errorf("reports were answered with %d %s", code, said)
		}
		if code, said := bring("text/plain", file); code != http.StatusUnsupportedMediaType {
			t.Errorf("plain text: %d %s", code, said)
		}
		if code, said := bring("text/csv", "no header"); code != http.StatusBadRequest || !strings.Contains(said, "column") {
			t.Errorf("no reports: %d %s", code, said)
		}
		if code, said := bring("application/adif", strings.Repeat("x", 9<<20)); code != http.StatusRequestEntityTooLarge {
			t.Errorf("too much: %d %s", code, said)
		}
	}
}
