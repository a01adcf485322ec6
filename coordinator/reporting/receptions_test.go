package reporting_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/report/reporttest"
	"lamplighter/coordinator/reporting"
	"lamplighter/coordinator/store"
)

const pair = `
network: {name: Little Net}
sites:
  - {name: a, locator: JO62QM, time_zone: Europe/Berlin}
beacons:
  - {name: one, callsign: Q1ABC, site: a, control: remote, power_dbm: 23, share: 0.1, uncertainty_ppm: 0.01, licence: {max_power_dbm: 30}, bands: [40m, 20m]}
  - {name: two, callsign: Q2ABC, site: a, control: remote, power_dbm: 23, share: 0.1, uncertainty_ppm: 0.01, licence: {max_power_dbm: 30}, bands: [40m]}
`

// past is a network with a few transmissions of beacon one, the first of which
// began at start: sent, skipped, and one of which nothing is known yet.
func past(t *testing.T) (n *network, reporter reporting.Reporter, start time.Time) {
	t.Helper()
	n = newNetwork(t, pair)
	now, err := n.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	start = now.UTC().Truncate(time.Hour).Add(-5 * time.Hour)
	b := reporttest.Beacon{Name: "one"}
	for i, ending := range []string{"sent", "skipped", "unreported"} {
		at := start.Add(time.Duration(i) * 10 * time.Minute)
		s := reporttest.Slot{Start: at, Band: "40m", Ending: ending}
		if ending == "sent" {
			s.Keyed = 110_592 * time.Millisecond
		}
		if ending == "skipped" {
			s.Reason = "hushed"
		}
		b.Slots = append(b.Slots, s)
		b.Samples = append(b.Samples, reporttest.Sample{At: at, Lock: "locked", ClockErrorNs: 1_000_000})
	}
	n.bring(t, b)
	// The beacon's own call sign in the orders of the test is that of its outcomes.
	n.exec(t, "update outcomes set callsign = 'Q1ABC', permitted_at = start_at + interval '1 second'")
	n.exec(t, "update fleet_versions set applied_at = $1", start.AddDate(0, 0, -30))
	return n, reporting.Reporter{Store: n.Store, Fleets: store.NewFleets(n.Store)}, start
}

func csvOf(rows ...string) []byte {
	return []byte("time,callsign,frequency_hz,snr_db,receiver,receiver_locator\n" + strings.Join(rows, "\n") + "\n")
}

func row(at time.Time, callsign, hertz, receiver, locator string) string {
	return fmt.Sprintf("%s,%s,%s,-20,%s,%s", at.Format(time.RFC3339), callsign, hertz, receiver, locator)
}

func TestReceptionsAreMatchedOnceAndWaitForTheBeaconsWord(t *testing.T) {
	n, reporter, start := past(t)
	at := func(minutes int) time.Time { return start.Add(time.Duration(minutes) * time.Minute) }
	file := csvOf(
		row(at(0).Add(time.Second), "Q1ABC", "7040103.2", "Q9XYZ", "FN42AX"),
		row(at(0), "Q1ABC", "7040101", "Q8XYZ", "JN58TD"),
		row(at(0), "Q1ABC", "7040101", "Q7XYZ", "JO62QM"), // next door
		row(at(0), "Q1ABC", "14097100", "Q9XYZ", "FN42AX"),
		row(at(10), "Q1ABC", "7040101", "Q9XYZ", "FN42AX"),
		row(at(20), "Q1ABC", "7040101", "Q9XYZ", "FN42AX"),
		row(at(4), "Q1ABC", "7040101", "Q9XYZ", "FN42AX"),
		row(at(0), "Q3ABC", "7040101", "Q9XYZ", "FN42AX"),
		"nonsense",
	)
	for again, want := range []reporting.Added{{Matched: 3, Unmatched: 5}, {Known: 8}} {
		added, err := reporter.AddReceptions(t.Context(), reporting.Source{Way: "test"}, "csv", file)
		if err != nil || len(added.Refused) != 1 {
			t.Fatalf("refused %v: %v", added.Refused, err)
		}
		added.Refused = nil
		if diff := cmp.Diff(want, added); diff != "" {
			t.Errorf("time %d: %s", again, diff)
		}
	}
	reasons := func() string {
		t.Helper()
		unmatched, err := n.UnmatchedReceptions(t.Context(), start, start.Add(time.Hour), 100)
		if err != nil {
			t.Fatal(err)
		}
		var text []string
		for _, u := range unmatched {
			text = append(text, fmt.Sprintf("%.0f:%s", u.StartAt.Sub(start).Minutes(), u.Reason))
		}
		return strings.Join(text, " ")
	}
	if got, want := reasons(), "0:other_band 0:unknown_callsign 4:not_ordered 10:not_sent 20:waiting"; got != want {
		t.Errorf("unmatched are %s, want %s", got, want)
	}
	n.exec(t, "insert into outcomes select beacon, boot, seq + 1000, recorded_day, slot + 10, start_at + interval '20 minutes', epoch, revision, band, frequency_millihertz, uncertainty_millihertz, callsign, locator, power_dbm, message_kind, drive_percent, control, kind, reason, permitted_at, keyed_at, unkeyed_at, symbols, clock_error_bound_ns, received_at from outcomes where kind = 'sent'")
	n.exec(t, "insert into hours_due (beacon, hour) values ('one', $1) on conflict do nothing", start)
	if settled, err := reporter.Rematch(t.Context()); err != nil || settled != 1 {
		t.Errorf("%d reports were matched later: %v", settled, err)
	}
	if settled, err := reporter.Rematch(t.Context()); err != nil || settled != 0 {
		t.Errorf("%d reports were matched again: %v", settled, err)
	}
	r := n.report(t, reporting.Request{From: start, To: start.Add(time.Hour)})
	if len(r.Heard) != 1 {
		t.Fatalf("%d lines of who heard us", len(r.Heard))
	}
	got := r.Heard[0]
	if got.Beacon != "one" || got.Reports != 3 || got.Receivers != 2 || got.FarthestKm != 6104.6 || *got.Share != 1 || !got.First.Equal(start) || !got.Last.Equal(at(20)) {
		t.Errorf("heard: %+v of %v", got, *got.Share)
	}
	corrections, err := reporter.Corrections(t.Context(), start, start.Add(time.Hour))
	if err != nil || len(corrections) != 1 || corrections[0].Enough || corrections[0].Reports != 4 {
		t.Errorf("corrections: %+v, %v", corrections, err)
	}
}

func TestWhoWasOnTheAir(t *testing.T) {
	_, reporter, start := past(t)
	for _, c := range []struct {
		name     string
		question reporting.Question
		page     []string
		absent   string
	}{
		{"sent", reporting.Question{At: start.Add(30 * time.Second), FrequencyHz: 7040100}, []string{
			"1 of our transmitters went on the air", "one, Q1ABC, site a (JO62QM)", "7040100.000 Hz, control remote", "permitted  ", "power      23 dBm", "ended as   sent",
			"Not complete: of 2 beacons, 1 have not reported on this time: two.",
		}, "None of ours"},
		{"ordered and silent", reporting.Question{At: start.Add(10 * time.Minute), FrequencyHz: 7040150}, []string{"None of ours, as far as is known.", "ended as   skipped (hushed)"}, "went on"},
		{"another frequency", reporting.Question{At: start, FrequencyHz: 7040300}, []string{"None of ours"}, "Q1ABC"},
		{"near enough", reporting.Question{At: start, FrequencyHz: 7040300, NearHz: 300}, []string{"Q1ABC"}, "None of ours"},
		{"another time", reporting.Question{At: start.Add(3*time.Minute + time.Second), FrequencyHz: 7040100}, []string{"None of ours"}, "Q1ABC"},
		{"soon enough", reporting.Question{At: start.Add(3*time.Minute + time.Second), FrequencyHz: 7040100, Within: 2 * time.Minute}, []string{"Q1ABC"}, "None of ours"},
		{"not told yet", reporting.Question{At: start.Add(20 * time.Minute), FrequencyHz: 7040100}, []string{"ended as   open"}, "went on"},
	} {
		answer, err := reporter.Who(t.Context(), c.question)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		page := answer.Page()
		for _, want := range c.page {
			if !strings.Contains(page, want) {
				t.Errorf("%s: the page lacks %q:\n%s", c.name, want, page)
			}
		}
		if strings.Contains(page, c.absent) {
			t.Errorf("%s: the page holds %q:\n%s", c.name, c.absent, page)
		}
	}
	for name, q := range map[string]reporting.Question{
		"no time": {FrequencyHz: 7e6}, "no frequency": {At: start}, "too wide": {At: start, FrequencyHz: 7e6, NearHz: 1e6}, "too long": {At: start, FrequencyHz: 7e6, Within: 2 * time.Hour},
	} {
		if _, err := reporter.Who(t.Context(), q); fault.Of(err) != fault.Usage {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestEveryFormIsWritten(t *testing.T) {
	_, reporter, start := past(t)
	q := reporting.Request{From: start, To: start.Add(time.Hour)}
	for form, want := range map[reporting.Form]string{
		reporting.HTML: "<!DOCTYPE html>", reporting.PDF: "%PDF-1", reporting.Markdown: "# Little Net: ", reporting.CSV: "of,site,beacon",
		reporting.JSON: "{\n  \"schema\": \"lamplighter/report/1\"", reporting.LogCSV: "slot_start,site", reporting.LogADIF: "Transmissions of the beacons of Little Net",
		reporting.Calendar: "BEGIN:VCALENDAR",
	} {
		var out bytes.Buffer
		if err := reporter.Write(t.Context(), &out, form, q); err != nil {
			t.Errorf("%s: %v", form, err)
			continue
		}
		if !strings.HasPrefix(out.String(), want) {
			t.Errorf("%s begins with %.60q", form, out.String())
		}
		switch form {
		case reporting.LogCSV:
			rows, err := csv.NewReader(&out).ReadAll()
			if err != nil || len(rows) != 2 || rows[1][3] != "Q1ABC" || rows[1][12] != "sent" {
				t.Errorf("the log is %v, %v", rows, err)
			}
		case reporting.Calendar:
			// A tenth of a week's 5,040 slots, for each of two beacons.
			if events := strings.Count(out.String(), "BEGIN:VEVENT"); events != 1008 {
				t.Errorf("the coming week has %d transmissions", events)
			}
		}
	}
}

func TestAWrongRequestIsRefused(t *testing.T) {
	n, reporter, start := past(t)
	_ = n
	for name, c := range map[string]struct {
		q    reporting.Request
		want fault.Kind
	}{
		"no such week":       {reporting.Request{Week: "2025-W53"}, fault.Usage},
		"both":               {reporting.Request{Week: "2026-W01", From: start}, fault.Usage},
		"backwards":          {reporting.Request{From: start, To: start.Add(-time.Hour)}, fault.Usage},
		"half":               {reporting.Request{From: start}, fault.Usage},
		"too long":           {reporting.Request{From: start.AddDate(-2, 0, 0), To: start}, fault.Usage},
		"still to come":      {reporting.Request{From: start.AddDate(1, 0, 0), To: start.AddDate(1, 0, 1)}, fault.Invalid},
		"less than a minute": {reporting.Request{From: start, To: start.Add(time.Second)}, fault.Usage},
		"no such site":       {reporting.Request{From: start, To: start.Add(time.Hour), Scope: fleet.Scope{Site: "moon"}}, fault.NotFound},
	} {
		if _, err := reporter.Report(t.Context(), c.q); fault.Of(err) != c.want {
			t.Errorf("%s: %v", name, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := reporter.Report(ctx, reporting.Request{}); !errors.Is(err, context.Canceled) {
		t.Errorf("a caller who is gone: %v", err)
	}
}
