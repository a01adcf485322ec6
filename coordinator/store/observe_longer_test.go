package store_test

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/store"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

func (l *ledger) longer(q store.Longer) *alert.Beacon {
	l.t.Helper()
	seen, err := l.s.ObserveLonger(l.t.Context(), q)
	if err != nil {
		l.t.Fatal(err)
	}
	if seen["mill-hf"] == nil {
		return &alert.Beacon{}
	}
	return seen["mill-hf"]
}

// Slots that people kept silent and those that were no longer to be are not a
// beacon's due.
func TestDaysCountWhatABeaconWasDue(t *testing.T) {
	l := newLedger(t)
	const day = `insert into beacon_days (beacon, day, samples, minutes_heard, minutes_ready, minutes_locked, minutes_holdover, minutes_on_air,
		clock_ns, clock_count, frequency_ppt, frequency_count, bands, endings, reasons, slots, keyed_us)
		select 'mill-hf', (now() at time zone 'UTC')::date - $1::int, 0, $2, 0, 0, 0, 0, '{}', '{}', '{}', '{}', $3::text[], $4::text[], $5::text[], $6::bigint[], $6`
	l.exec(day, 2, 1000,
		[]string{"40m", "20m", "40m", "40m", "20m", "40m", "40m", "40m", "40m", "40m"},
		[]string{"sent", "sent", "skipped", "skipped", "skipped", "aborted", "skipped", "withdrawn", "open", "sent"},
		[]string{"", "", "hushed", "late", "late", "clock", "operator_absent", "", "", "unordered"},
		[]int64{30, 10, 100, 4, 4, 5, 200, 7, 9, 11})
	l.exec(day, 8, 1440, []string{"40m"}, []string{"sent"}, []string{""}, []int64{30})
	l.exec(day, 0, 0, []string{}, []string{}, []string{}, []int64{})
	got := l.longer(store.Longer{}).Days
	want := make([]alert.Day, 8)
	want[2] = alert.Day{Fair: 53, Sent: 40, Heard: 1000 * time.Minute, Lost: "late"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// A beacon that sent 80 times since it was reported last counts, with the
// reports of others since.
func TestABandOnWhichNobodyHears(t *testing.T) {
	l := newLedger(t)
	hours := func(beacon, band string, hoursAgo, sent int) {
		l.exec(`insert into beacon_hours (beacon, hour, samples, heard, ready, locked, holdover, on_air, clock_ns, clock_count, frequency_ppt, frequency_count, bands, endings, reasons, slots, keyed_us)
			values ($1, date_trunc('hour', now()) - $2 * interval '1 hour', 0, 0, 0, 0, 0, 0, '{}', '{}', '{}', '{}', array[$3, $3], array['sent', 'skipped'], array['', 'late'], array[$4::bigint, 500], array[0, 0])
			on conflict (beacon, hour) do update set bands = beacon_hours.bands || excluded.bands, endings = beacon_hours.endings || excluded.endings,
				reasons = beacon_hours.reasons || excluded.reasons, slots = beacon_hours.slots || excluded.slots`,
			beacon, hoursAgo, band, sent)
	}
	heard := func(beacon, band string, hoursAgo, metres int) {
		l.exec(`insert into receptions (start_at, receiver, band, callsign, frequency_millihertz, receiver_locator, source, received_at, reason, beacon, planned_millihertz, distance_m, bearing)
			values (date_trunc('hour', now()) - $3 * interval '1 hour' + interval '10 minutes', 'Q' || $3, $2, $1, 1, 'FN42', 'test', now(), '', $1, 1, $4, 0)`, beacon, band, hoursAgo, metres)
	}
	dead := func() (texts []alert.DeadBand) { return l.longer(store.Longer{LeastSent: 80, NearM: 5000}).DeadBands }
	for h := 20; h < 30; h++ {
		hours("mill-hf", "40m", h, 8)
		hours("mill-hf", "20m", h, 8)
	}
	if got := dead(); len(got) != 0 {
		t.Errorf("nobody reports anything, and %v is dead", got)
	}
	heard("other", "40m", 25, 10_000)
	heard("other", "40m", 22, 10_000)
	heard("mill-hf", "40m", 21, 4_000) // next door
	got := dead()
	if len(got) != 1 || got[0].Band != "40m" || got[0].Sent != 80 || got[0].Others != 2 {
		t.Fatalf("got %+v", got)
	}
	if week := time.Since(got[0].Since); week < 6*24*time.Hour || week > 8*24*time.Hour {
		t.Errorf("since %s", got[0].Since)
	}
	heard("mill-hf", "40m", 29, 10_000) // since then only nine hours of eight
	if got := dead(); len(got) != 0 {
		t.Errorf("72 times since it was heard, and %+v", got)
	}
	hours("mill-hf", "40m", 2, 8)
	heard("other", "40m", 1, 10_000)
	if got := dead(); len(got) != 1 || got[0].Sent != 80 || got[0].Others != 3 {
		t.Errorf("got %+v", got)
	}
}

func TestASupplyIsReadByTheHalfHour(t *testing.T) {
	l := newLedger(t)
	now, err := l.s.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var records []store.Record
	for i := range 40 { // every ten minutes
		body, err := proto.Marshal(&wirev1.Record{Body: &wirev1.Record_Health{Health: &wirev1.Health{SupplyVolts: proto.Float64(float64(i))}}})
		if err != nil {
			t.Fatal(err)
		}
		r := record("mill-hf", 1, int64(i+1), string(body))
		at := now.Add(-time.Duration(i)*10*time.Minute - time.Minute)
		r.Kind, r.Body, r.DeviceTime, r.RecordedDay = "health", body, &at, at.UTC().Truncate(24*time.Hour)
		records = append(records, r)
	}
	storeReports(t, l.s, store.Reports{Records: records})
	var volts []float64
	for _, v := range l.longer(store.Longer{Batteries: []string{"mill-hf"}}).Supply {
		volts = append(volts, v.Volts)
	}
	if want := []float64{33, 30, 27, 24, 21, 18, 15, 12, 9, 6, 3, 0}; !slices.Equal(volts, want) {
		t.Errorf("got %v, want %v", volts, want)
	}
	if got := l.longer(store.Longer{}).Supply; len(got) != 0 {
		t.Errorf("nobody asked, and got %v", got)
	}
}

func TestStrayReceptions(t *testing.T) {
	l := newLedger(t)
	for i, reason := range []string{"", "not_ordered", "unknown_callsign", "other_band", "waiting", "not_sent"} {
		l.exec(`insert into receptions (start_at, receiver, band, callsign, frequency_millihertz, receiver_locator, source, received_at, reason)
			values (now() - $1 * interval '1 hour', 'Q1', '40m', 'Q1TRN', 7040100000, 'FN42AX', 'test', now() - $1 * interval '30 minutes', $2)`, i, reason)
	}
	got, err := l.s.StrayReceptions(t.Context())
	if err != nil || len(got) != 3 {
		t.Fatalf("%+v %v", got, err)
	}
	for i, want := range []struct {
		reason string
		fresh  bool
	}{{"not_ordered", true}, {"other_band", false}, {"not_sent", false}} {
		if got[i].Reason != want.reason || got[i].Fresh != want.fresh {
			t.Errorf("got %+v, want %+v", got[i], want)
		}
	}
}
