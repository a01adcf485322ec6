package store_test

import (
	"cmp"
	"crypto/sha256"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/rollup"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// healthRecord is a record of health that was taken at a time.
func healthRecord(t *testing.T, beacon string, run int, seq int64, at time.Time, h *wirev1.Health) store.Record {
	t.Helper()
	body, err := proto.Marshal(&wirev1.Record{Boot: boot(run), Seq: uint64(seq), DeviceUnixUs: at.UnixMicro(), Body: &wirev1.Record_Health{Health: h}})
	if err != nil {
		t.Fatal(err)
	}
	digest := sha256.Sum256(body)
	return store.Record{
		RecordKey: store.RecordKey{Beacon: beacon, Boot: boot(run), Seq: seq}, RecordedDay: at.UTC().Truncate(24 * time.Hour),
		DeviceTime: &at, Kind: "health", Body: body, Digest: digest[:],
	}
}

func hoursOf(t *testing.T, s *store.Store, from, to time.Time) (hours []rollup.Hour) {
	t.Helper()
	err := s.BeaconHours(t.Context(), nil, from, to, func(h rollup.Hour) error {
		hours = append(hours, h)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return hours
}

func rollAll(t *testing.T, s *store.Store, before time.Time) {
	t.Helper()
	for {
		made, err := s.RollUp(t.Context(), before)
		if err != nil {
			t.Fatal(err)
		}
		if made == 0 {
			return
		}
	}
}

// today is the start of the database's day.
func today(t *testing.T, s *store.Store) time.Time {
	t.Helper()
	now, err := s.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return now.UTC().Truncate(24 * time.Hour)
}

// Samples come late, out of order and more than once, and hours are rolled up in
// between: in the end each hour is what all its raw samples give, and a period
// that begins and ends within hours has just the samples inside.
func TestRollUpsAreWhatTheRawSamplesGive(t *testing.T) {
	s := storetest.New(t)
	random := rand.New(rand.NewPCG(7, 7))
	start := today(t, s).AddDate(0, 0, -2)
	locks := []wirev1.Lock{wirev1.Lock_LOCK_LOCKED, wirev1.Lock_LOCK_LOCKED, wirev1.Lock_LOCK_HOLDOVER, wirev1.Lock_LOCK_NONE}
	words := map[wirev1.Lock]string{wirev1.Lock_LOCK_LOCKED: "locked", wirev1.Lock_LOCK_HOLDOVER: "holdover", wirev1.Lock_LOCK_NONE: "none"}
	truth := map[string][]rollup.Sample{}
	var records []store.Record
	for n := range 900 {
		beacon := []string{"hilltop-hf", "mill-hf"}[n%2]
		at := start.Add(time.Duration(random.Int64N(int64(9 * time.Hour)))).Truncate(time.Microsecond)
		bound, ppb, lock := random.Int64N(1e9), random.Float64()*50, locks[random.IntN(len(locks))]
		truth[beacon] = append(truth[beacon], rollup.Sample{At: at, Lock: words[lock], ClockErrorNs: &bound, FrequencyPpb: &ppb, OnAir: n%5 == 0})
		records = append(records, healthRecord(t, beacon, 1, int64(n+1), at, &wirev1.Health{Lock: lock, ClockErrorBoundNs: &bound, FrequencyUncertaintyPpb: &ppb, OnAir: n%5 == 0}))
	}
	random.Shuffle(len(records), func(i, j int) { records[i], records[j] = records[j], records[i] })
	for batch := range slices.Chunk(records, 150) {
		storeReports(t, s, store.Reports{Records: batch})
		rollAll(t, s, start.Add(6*time.Hour))
		storeReports(t, s, store.Reports{Records: batch[:10]})
	}
	rollAll(t, s, start.AddDate(0, 0, 1))
	want := func(from, to time.Time) (hours []rollup.Hour) {
		for beacon, samples := range truth {
			for hour := from.Truncate(time.Hour); hour.Before(to); hour = hour.Add(time.Hour) {
				var inside []rollup.Sample
				for _, sample := range samples {
					if !sample.At.Before(from) && sample.At.Before(to) {
						inside = append(inside, sample)
					}
				}
				hours = append(hours, rollup.Roll(beacon, hour, inside, nil))
			}
		}
		slices.SortFunc(hours, func(a, b rollup.Hour) int { return cmp.Or(cmp.Compare(a.Beacon, b.Beacon), a.Start.Compare(b.Start)) })
		return hours
	}
	for _, period := range [][2]time.Duration{{0, 9 * time.Hour}, {2*time.Hour + 30*time.Minute, 5*time.Hour + 45*time.Minute}} {
		from, to := start.Add(period[0]), start.Add(period[1])
		if diff := gocmp.Diff(want(from, to), hoursOf(t, s, from, to)); diff != "" {
			t.Errorf("%v to %v: %s", period[0], period[1], diff)
		}
	}
	days, err := s.BeaconDays(t.Context(), "mill-hf", start, start.AddDate(0, 0, 1))
	if err != nil {
		t.Fatal(err)
	}
	sum := rollup.Day{Beacon: "mill-hf", Day: start}
	for _, h := range want(start, start.Add(9*time.Hour)) {
		if h.Beacon == "mill-hf" {
			sum.Add(h)
		}
	}
	if diff := gocmp.Diff([]rollup.Day{sum}, days); diff != "" {
		t.Errorf("the day: %s", diff)
	}
}

// A day of raw health is given up while a report of a long time reads others:
// it gives way, and nobody waits behind it. What is not health stays, and so do
// the roll-ups, and a sample that comes again is known.
func TestADayOfRawHealthIsGivenUp(t *testing.T) {
	address := storetest.URL(t)
	s := storetest.Open(t, address, store.Options{})
	if err := s.MakePartitions(t.Context()); err != nil {
		t.Fatal(err)
	}
	old := today(t, s).AddDate(0, 0, -8)
	bound := int64(1_000_000)
	sample := healthRecord(t, "mill-hf", 1, 1, old.Add(time.Hour), &wirev1.Health{Lock: wirev1.Lock_LOCK_LOCKED, ClockErrorBoundNs: &bound})
	event := record("mill-hf", 1, 2, "an event")
	event.RecordedDay = old
	young := healthRecord(t, "mill-hf", 1, 3, old.AddDate(0, 0, 4), &wirev1.Health{Lock: wirev1.Lock_LOCK_LOCKED})
	storeReports(t, s, store.Reports{Records: []store.Record{sample, event, young}})

	reader := connect(t, address)
	execute(t, reader, "begin")
	execute(t, reader, "select count(*) from records")
	if _, err := s.DropHealth(t.Context(), old.AddDate(0, 0, 1)); err == nil {
		t.Fatal("a partition was dropped under somebody who reads it")
	}
	storeReports(t, s, store.Reports{Records: []store.Record{record("mill-hf", 1, 4, "meanwhile")}})
	execute(t, reader, "commit")

	if dropped, err := s.DropHealth(t.Context(), old.AddDate(0, 0, 1)); err != nil || dropped != 1 {
		t.Fatalf("%d days were dropped: %v", dropped, err)
	}
	var left, kept int
	if err := reader.QueryRow(t.Context(), "select (select count(*) from records where seq <= 3), (select count(*) from records_kept)").Scan(&left, &kept); err != nil {
		t.Fatal(err)
	}
	if left != 1 || kept != 1 {
		t.Errorf("%d records and %d kept ones are left, want the young sample and the event", left, kept)
	}
	hours := hoursOf(t, s, old, old.AddDate(0, 0, 1))
	if len(hours) != 1 || hours[0].Heard != 1 || hours[0].Ready != 1 {
		t.Errorf("of the day is left %+v", hours)
	}
	again := storeReports(t, s, store.Reports{Records: []store.Record{sample, event}}).Records
	if diff := gocmp.Diff([]store.RecordFate{store.RecordDuplicate, store.RecordDuplicate}, again); diff != "" {
		t.Error(diff)
	}
}

// What the ledger says of a slot stays when the orders that it followed from are
// forgotten.
func TestForgettingOrdersChangesNoEnding(t *testing.T) {
	l := newLedger(t)
	saveOrders(t, l.s, l.e, 1, l.n, orderedSlot(l.n, "40m"), orderedSlot(l.n+1, "40m"), orderedSlot(l.n+2, "40m"))
	saveOrders(t, l.s, l.e, 2, l.n, orderedSlot(l.n+1, "40m"))
	confirm(t, l.s, l.e, 2)
	saveOrders(t, l.s, l.e, 3, l.n, orderedSlot(l.n+1, "40m"), orderedSlot(l.n+3, "20m"))
	l.report(l.n+1, 1, "sent", "")
	l.pass(10 * 24 * time.Hour)
	want := []ending{
		{0, 1, "withdrawn", false, false}, {1, 1, "sent", true, false}, {2, 1, "withdrawn", false, false}, {3, 3, "unreported", false, false},
	}
	want[1].Late = false // received when it was moved to
	l.want(want...)
	if err := l.s.Settle(t.Context(), time.Now().AddDate(0, 0, -90)); err != nil {
		t.Fatal(err)
	}
	l.want(want...)
	var orders int
	conn, err := l.s.Dedicated(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	if err := conn.QueryRow(t.Context(), "select count(*) from orders").Scan(&orders); err != nil || orders != 1 {
		t.Errorf("%d orders are left (%v), want the latest", orders, err)
	}
	if err := l.s.Settle(t.Context(), time.Now()); err != nil {
		t.Fatal(err)
	}
	l.want(want[1], want[3])
}

// An ended hour is rolled up though the beacon said nothing, and again when its
// open slots have become unreported.
func TestHoursOfSilentBeaconsAreRolledUp(t *testing.T) {
	l := newLedger(t)
	saveOrders(t, l.s, l.e, 1, l.n, orderedSlot(l.n, "40m"))
	l.pass(4 * time.Hour)
	start := time.Unix(l.n*120, 0).Add(-4 * time.Hour).UTC()
	counted := func() []rollup.SlotCount {
		t.Helper()
		if err := l.s.MarkEndedHours(t.Context()); err != nil {
			t.Fatal(err)
		}
		rollAll(t, l.s, time.Now())
		hours := hoursOf(t, l.s, start.Truncate(time.Hour), start.Truncate(time.Hour).Add(time.Hour))
		if len(hours) != 1 {
			t.Fatalf("%d hours", len(hours))
		}
		return hours[0].Slots
	}
	l.exec("update memory set hours_seen = hours_seen - interval '1 day'")
	if diff := gocmp.Diff([]rollup.SlotCount{{Band: "40m", Ending: "open", Slots: 1}}, counted()); diff != "" {
		t.Error(diff)
	}
	l.pass(8 * 24 * time.Hour)
	start = start.AddDate(0, 0, -8)
	l.exec("update memory set hours_seen = hours_seen - interval '1 day'")
	if diff := gocmp.Diff([]rollup.SlotCount{{Band: "40m", Ending: "unreported", Slots: 1}}, counted()); diff != "" {
		t.Error(diff)
	}
}
