package stationlog

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

var sent = Transmission{
	Site: "hilltop", Beacon: "hilltop-hf", Callsign: "Q1ABC", Locator: "JO62", Band: "40m", Millihertz: 7_040_100_250, PowerDBm: 23,
	Message: "full", Control: "remote", Start: time.Date(2026, 11, 24, 23, 58, 0, 0, time.UTC),
	Keyed: at(time.Date(2026, 11, 24, 23, 58, 1, 2e6, time.UTC)), Unkeyed: at(time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)),
	Ending: "sent", Symbols: 162, ClockErrorNs: ns(1_250_000),
}

func at(t time.Time) *time.Time { return &t }

func ns(n int64) *int64 { return &n }

func TestALogAsCSV(t *testing.T) {
	var out strings.Builder
	w, err := NewCSV(&out)
	if err != nil {
		t.Fatal(err)
	}
	for _, one := range []Transmission{sent, {Beacon: `a "b", c`, Start: sent.Start, Band: "20m", Millihertz: 14_097_100_000, PowerDBm: 30, Ending: "aborted", Reason: "hushed"}} {
		if err := w.Write(one); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	want := strings.Join([]string{
		"slot_start,site,beacon,callsign,locator,band,frequency_hz,power_dbm,message,control,keyed_at,unkeyed_at,ended_as,reason,symbols,clock_error_bound_seconds",
		"2026-11-24T23:58:00Z,hilltop,hilltop-hf,Q1ABC,JO62,40m,7040100.25,23,full,remote,2026-11-24T23:58:01.002Z,2026-11-25T00:00:00.000Z,sent,,162,0.00125",
		`2026-11-24T23:58:00Z,,"a ""b"", c",,,20m,14097100,30,,,,,aborted,hushed,0,`, "",
	}, "\r\n")
	if diff := cmp.Diff(want, out.String()); diff != "" {
		t.Error(diff)
	}
}

// The form is that of ADIF 3.1 (adif.org): <NAME:LENGTH>DATA, the header ends
// with <EOH>, each record with <EOR>; frequencies in MHz, powers in watts.
func TestALogInTheOpenExchangeFormat(t *testing.T) {
	var out strings.Builder
	w, err := NewADIF(&out, "Tern Välley", "1.0", time.Date(2026, 11, 30, 6, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(sent); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	want := "Transmissions of the beacons of Tern V?lley\n" +
		"<ADIF_VER:5>3.1.6 <CREATED_TIMESTAMP:15>20261130 060000 <PROGRAMID:11>LAMPLIGHTER <PROGRAMVERSION:3>1.0 <EOH>\n" +
		"<STATION_CALLSIGN:5>Q1ABC <QSO_DATE:8>20261124 <TIME_ON:6>235801 <QSO_DATE_OFF:8>20261125 <TIME_OFF:6>000000 " +
		"<BAND:3>40m <FREQ:10>7.04010025 <MODE:4>WSPR <TX_PWR:6>0.1995 <MY_GRIDSQUARE:4>JO62 <APP_LAMPLIGHTER_BEACON:10>hilltop-hf " +
		"<APP_LAMPLIGHTER_ENDED_AS:4>sent <APP_LAMPLIGHTER_CONTROL:6>remote <EOR>\n"
	if diff := cmp.Diff(want, out.String()); diff != "" {
		t.Error(diff)
	}
}

// Powers from the table of legal ones, in watts as 10^((dBm-30)/10).
func TestPowersAreInWatts(t *testing.T) {
	for dbm, want := range map[int]string{0: "0.001", 23: "0.1995", 27: "0.5012", 30: "1", 33: "1.995", 37: "5.012", 60: "1000"} {
		if got := watts(dbm); got != want {
			t.Errorf("%d dBm are %s W, want %s", dbm, got, want)
		}
	}
}
