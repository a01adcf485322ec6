package main

import (
	"encoding/base64"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lamplighter/cmd/lamplighter/demo"
)

func TestReportsAreMadeByTheCoordinator(t *testing.T) {
	server := coordinator(t, demo.Fleet(0))
	file := filepath.Join(t.TempDir(), "report")
	for format, begin := range map[string]string{
		"html": "<!DOCTYPE html>", "pdf": "%PDF-", "markdown": "# ", "csv": "of,site,beacon", "json": "{", "log-csv": "slot_start,",
		"log-adif": "Transmissions of", "calendar": "BEGIN:VCALENDAR",
	} {
		got := lamplighter(t, "report", server, "--format", format, "-o", file)
		text, err := os.ReadFile(file)
		if got.code != 0 || err != nil || !strings.HasPrefix(string(text), begin) {
			t.Errorf("%s: exit %d, said %q, begins %.20q: %v", format, got.code, got.stderr, text, err)
		}
	}
	if got := lamplighter(t, "report", server); got.code != 0 || !strings.Contains(got.stdout, "| beacon | call sign |") || got.stderr != "" {
		t.Errorf("without flags: exit %d, said %q, printed %.200q", got.code, got.stderr, got.stdout)
	}
	for name, args := range map[string][]string{
		"no such week": {"--week", "2026-W60"}, "no such form": {"--format", "scroll"}, "no time": {"--from", "yesterday"},
		"a week to come": {"--week", time.Now().AddDate(1, 0, 0).Format("2006") + "-W30"}, "no such site": {"--site", "moon"},
	} {
		if got := lamplighter(t, append([]string{"report", server}, args...)...); got.code == 0 || got.stderr == "" || got.stdout != "" {
			t.Errorf("%s: exit %d, said %q, printed %.40q", name, got.code, got.stderr, got.stdout)
		}
	}
}

func TestWhoAnswersInTextAndSigned(t *testing.T) {
	server := coordinator(t, demo.Fleet(0))
	at := "--at=" + time.Now().UTC().Add(-time.Hour).Format(time.RFC3339)
	if got := lamplighter(t, "who", server, at, "--freq", "7040.1kHz"); got.code != 0 || !strings.Contains(got.stdout, "None of ours, as far as is known.") || !strings.Contains(got.stdout, "Not complete: of 9 beacons, 9") {
		t.Errorf("exit %d, said %q, printed %q", got.code, got.stderr, got.stdout)
	}
	got := lamplighter(t, "who", server, at, "--freq", "14.0971MHz", "--signed")
	_, signature, ok := strings.Cut(got.stdout, "signature (Ed25519) ")
	signature, _, _ = strings.Cut(signature, "\n")
	if raw, err := base64.StdEncoding.DecodeString(signature); !ok || err != nil || len(raw) != 64 {
		t.Errorf("the signature is %q: %v", signature, err)
	}
	var answer map[string]any
	got = lamplighter(t, "who", server, at, "--freq", "7040100", "--output", "json")
	if err := json.Unmarshal([]byte(got.stdout), &answer); err != nil || len(answer["not_reported"].([]any)) != 9 {
		t.Errorf("as JSON: %v, %q", err, got.stdout)
	}
	for _, wrong := range [][]string{{"--freq", "7040100"}, {at, "--freq", "low"}, {at}, {at, "--freq", "7e6", "--within", "5h"}} {
		if got := lamplighter(t, append([]string{"who", server}, wrong...)...); got.code == 0 {
			t.Errorf("%v is taken", wrong)
		}
	}
}

func TestFrequenciesAreReadWithTheirUnits(t *testing.T) {
	for text, want := range map[string]frequency{"7040100": 7040100, "7040.1kHz": 7040100, "7.0401 MHz": 7040100, "100Hz": 100} {
		var f frequency
		if err := f.UnmarshalText([]byte(text)); err != nil || f-want > 1e-6 || want-f > 1e-6 {
			t.Errorf("%q is read as %v: %v", text, f, err)
		}
	}
	for _, text := range []string{"", "Hz", "7 x", "-7", "NaN", "1e20", "7..0MHz", "0"} {
		var f frequency
		if f.UnmarshalText([]byte(text)) == nil {
			t.Errorf("%q is read as %v", text, f)
		}
	}
}

func TestReceptionsAreTakenInFromFiles(t *testing.T) {
	server := coordinator(t, demo.Fleet(0))
	at := time.Now().UTC().Add(-time.Hour).Truncate(2 * time.Minute)
	file := write(t, "receptions.csv", "time,callsign,frequency_hz,receiver,receiver_locator\n"+at.Format(time.RFC3339)+",Q3ZZZ,7040100,Q9XYZ,FN42AX\n")
	if got := lamplighter(t, "heard", "import", server, file); got.code != 0 || got.stdout != "0 matched, 1 match no transmission of ours, 0 were here already, 0 could not be read\n" {
		t.Errorf("exit %d, said %q, printed %q", got.code, got.stderr, got.stdout)
	}
	adif := write(t, "log.adi", "<EOH><CALL:5>Q3ZZZ<QSO_DATE:8>"+at.Format("20060102")+"<TIME_ON:4>"+at.Format("1504")+"<FREQ:6>7.0401<STATION_CALLSIGN:5>Q9XYZ<MY_GRIDSQUARE:6>FN42AX<EOR><CALL:1>?<EOR>")
	if got := lamplighter(t, "heard", "import", server, adif); got.code != 1 || got.stdout != "0 matched, 0 match no transmission of ours, 1 were here already, 1 could not be read\n" || !strings.Contains(got.stderr, "log.adi:2: ") {
		t.Errorf("exit %d, said %q, printed %q", got.code, got.stderr, got.stdout)
	}
	if got := lamplighter(t, "heard", "unmatched", server, "--output", "csv"); got.code != 0 || !strings.HasSuffix(got.stdout, ",Q3ZZZ,40m,7040100.0,Q9XYZ,FN42AX,unknown_callsign\n") {
		t.Errorf("exit %d, said %q, printed %q", got.code, got.stderr, got.stdout)
	}
	if got := lamplighter(t, "heard", "corrections", server, "--output", "json"); got.code != 0 || got.stdout != "[]\n" {
		t.Errorf("exit %d, said %q, printed %q", got.code, got.stderr, got.stdout)
	}
}
