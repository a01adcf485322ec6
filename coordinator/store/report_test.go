package store_test

import (
	"crypto/sha256"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
)

var day = time.Date(2026, 3, 5, 0, 0, 0, 0, time.UTC)

func boot(n int) string { return fmt.Sprintf("%032x", n) }

func record(beacon string, run int, seq int64, content string) store.Record {
	digest := sha256.Sum256([]byte(content))
	at := day.Add(time.Duration(seq) * time.Second)
	return store.Record{
		RecordKey: store.RecordKey{Beacon: beacon, Boot: boot(run), Seq: seq}, RecordedDay: day, DeviceTime: &at,
		Kind: "event", Body: []byte(content), Digest: digest[:],
	}
}

func storeReports(t *testing.T, s *store.Store, reports store.Reports) store.Fates {
	t.Helper()
	fates, err := s.StoreReports(t.Context(), reports)
	if err != nil {
		t.Fatal(err)
	}
	return fates
}

func TestEachRecordIsStoredOnceWhateverComesAgain(t *testing.T) {
	s := storetest.New(t)
	a, b, c := record("hilltop-hf", 1, 1, "a"), record("hilltop-hf", 1, 2, "b"), record("mill-hf", 1, 1, "c")
	otherContent, otherDay := record("hilltop-hf", 1, 1, "not a"), record("hilltop-hf", 1, 2, "b of another day")
	otherDay.RecordedDay = day.AddDate(0, 0, 1)
	for _, c := range []struct {
		name    string
		records []store.Record
		want    []store.RecordFate
	}{
		{"new ones", []store.Record{a, c}, []store.RecordFate{store.RecordStored, store.RecordStored}},
		{"again, with a new one", []store.Record{a, b}, []store.RecordFate{store.RecordDuplicate, store.RecordStored}},
		{"twice in one call", []store.Record{record("mill-hf", 1, 2, "d"), record("mill-hf", 1, 2, "d")}, []store.RecordFate{store.RecordStored, store.RecordDuplicate}},
		{"two contents in one call", []store.Record{record("mill-hf", 1, 3, "e"), record("mill-hf", 1, 3, "f")}, []store.RecordFate{store.RecordStored, store.RecordConflict}},
		{"other content", []store.Record{otherContent}, []store.RecordFate{store.RecordConflict}},
		{"other content again", []store.Record{otherContent, a}, []store.RecordFate{store.RecordConflict, store.RecordDuplicate}},
		{"another day", []store.Record{otherDay}, []store.RecordFate{store.RecordConflict}},
		{"nothing", nil, []store.RecordFate{}},
	} {
		if diff := cmp.Diff(c.want, storeReports(t, s, store.Reports{Records: c.records}).Records); diff != "" {
			t.Errorf("%s: %s", c.name, diff)
		}
	}
	conflicts, err := s.Conflicts(t.Context(), 10)
	if err != nil {
		t.Fatal(err)
	}
	want := []store.Conflict{
		{RecordKey: otherContent.RecordKey, Digest: otherContent.Digest, StoredDigest: a.Digest, Body: []byte("not a"), Times: 2},
		{RecordKey: otherDay.RecordKey, Digest: otherDay.Digest, Body: []byte("b of another day"), Times: 1},
		{RecordKey: store.RecordKey{Beacon: "mill-hf", Boot: boot(1), Seq: 3}, Digest: record("", 0, 0, "f").Digest, StoredDigest: record("", 0, 0, "e").Digest, Body: []byte("f"), Times: 1},
	}
	diff := cmp.Diff(want, conflicts, cmpopts.IgnoreFields(store.Conflict{}, "FirstReceivedAt", "LastReceivedAt"),
		cmpopts.SortSlices(func(a, b store.Conflict) bool { return fmt.Sprint(a.RecordKey) < fmt.Sprint(b.RecordKey) }))
	if diff != "" {
		t.Errorf("kept aside: %s", diff)
	}
}

func TestARunThatLostCountIsCountedAgain(t *testing.T) {
	address := storetest.URL(t)
	s := storetest.Open(t, address, store.Options{})
	records := []store.Record{record("hilltop-hf", 1, 1, "a"), record("hilltop-hf", 1, 2, "b")}
	storeReports(t, s, store.Reports{Records: records})
	execute(t, connect(t, address), "delete from boots")
	want := []store.RecordFate{store.RecordDuplicate, store.RecordDuplicate, store.RecordStored}
	got := storeReports(t, s, store.Reports{Records: append(records, record("hilltop-hf", 1, 3, "c"))}).Records
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// Many at once store overlapping pieces of the same runs, in any order: each
// record is stored by exactly one of them.
func TestStoringAtTheSameMomentDoublesNothing(t *testing.T) {
	address := storetest.URL(t)
	s := storetest.Open(t, address, store.Options{})
	var all []store.Record
	for run := range 4 {
		for seq := range int64(100) {
			all = append(all, record("hilltop-hf", run, seq+1, fmt.Sprint(run, seq)))
		}
	}
	const writers = 6
	stored, failed := make(chan int), make(chan error, 10*writers) // room for every failure
	for w := range writers {
		go func() {
			random := rand.New(rand.NewPCG(1, uint64(w)))
			count := 0
			for range 10 {
				var some []store.Record
				for _, i := range random.Perm(len(all))[:150] {
					some = append(some, all[i])
				}
				fates, err := s.StoreReports(t.Context(), store.Reports{Records: some})
				if err != nil {
					failed <- err
				}
				for _, fate := range fates.Records {
					if fate == store.RecordStored {
						count++
					}
				}
			}
			stored <- count
		}()
	}
	total := 0
	for range writers {
		total += <-stored
	}
	close(failed)
	for err := range failed {
		t.Error(err)
	}
	var rows, keys int
	err := connect(t, address).QueryRow(t.Context(), "select count(*), count(distinct (beacon, boot, seq)) from records").Scan(&rows, &keys)
	if err != nil || rows != keys || rows != total {
		t.Errorf("%d rows, %d keys, %d said to be stored, %v", rows, keys, total, err)
	}
}

func TestGapsShowAcrossRuns(t *testing.T) {
	s := storetest.New(t)
	var records []store.Record
	for _, seq := range []int64{1, 2, 5, 6, 9} { // 3, 4, 7, 8 missing; the next run says that there was a 12
		records = append(records, record("hilltop-hf", 1, seq, "x"))
	}
	next := record("hilltop-hf", 2, 1, "started")
	next.Kind, next.RunStarted = "run_started", &store.RunStarted{PreviousBoot: boot(1), PreviousLastSeq: 12}
	thinned := record("hilltop-hf", 2, 2, "thinned")
	thinned.Kind, thinned.Thinned = "thinned", &store.Thinned{Boot: boot(1), FirstSeq: 7, LastSeq: 8}
	storeReports(t, s, store.Reports{Records: append(records, next, thinned)})
	gaps, err := s.Gaps(t.Context(), "hilltop-hf", 10)
	if err != nil {
		t.Fatal(err)
	}
	want := []store.Gap{{"hilltop-hf", boot(1), 3, 4}, {"hilltop-hf", boot(1), 10, 12}}
	if diff := cmp.Diff(want, gaps); diff != "" {
		t.Error(diff)
	}
}

func TestOutcomesAreStoredAndCountedOnce(t *testing.T) {
	s := storetest.New(t)
	start := day.Add(12 * time.Hour)
	keyed := start.Add(time.Second)
	bound := int64(1500)
	sent := record("hilltop-hf", 1, 1, "sent")
	sent.Kind, sent.Outcome = "outcome", &store.Outcome{
		Slot: 14780880, StartAt: &start, Epoch: 1772000000, Revision: 7, Band: "40m", FrequencyMillihertz: 7040100000,
		UncertaintyMillihertz: 500, Callsign: "Q1ABC", Locator: "JO65", PowerDBm: 23, MessageKind: "full", DrivePercent: 80,
		Control: "automatic", Kind: "sent", KeyedAt: &keyed, PermittedAt: &start, UnkeyedAt: &keyed, Symbols: 162, ClockErrorBoundNs: &bound,
	}
	skipped := record("hilltop-hf", 1, 2, "skipped")
	skipped.Kind, skipped.Outcome = "outcome", &store.Outcome{Slot: 1, Band: "40m", Kind: "skipped", Reason: "hushed", MessageKind: "full", Control: "automatic"}
	for range 2 {
		storeReports(t, s, store.Reports{Records: []store.Record{sent, skipped}})
	}
	totals, err := s.OutcomeTotals(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]store.OutcomeTotal{{"hilltop-hf", "40m", "sent", 1}, {"hilltop-hf", "40m", "skipped", 1}}, totals); diff != "" {
		t.Error(diff)
	}
	outcomes, err := s.Outcomes(t.Context(), start, start.Add(time.Nanosecond*1000))
	if err != nil {
		t.Fatal(err)
	}
	want := *sent.Outcome
	want.RecordKey, want.RecordedDay = sent.RecordKey, day
	if diff := cmp.Diff([]store.Outcome{want}, outcomes, cmpopts.IgnoreFields(store.Outcome{}, "ReceivedAt")); diff != "" {
		t.Error(diff)
	}
	if before, err := s.Outcomes(t.Context(), day, start); err != nil || len(before) != 0 {
		t.Errorf("before the start: %v %v", before, err)
	}
}

func TestPartitionsAreMadeAroundToday(t *testing.T) {
	address := storetest.URL(t)
	s, conn := storetest.Open(t, address, store.Options{}), connect(t, address)
	now, err := s.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	today := record("hilltop-hf", 1, 1, "early")
	today.RecordedDay = now.Truncate(24 * time.Hour)
	impossible := record("hilltop-hf", 1, 2, "late")
	impossible.RecordedDay = time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)
	storeReports(t, s, store.Reports{Records: []store.Record{today, impossible}}) // both go to the default partition
	made := make(chan error)
	for range 3 { // at the same moment, and again
		go func() { made <- s.MakePartitions(t.Context()) }()
	}
	for range 3 {
		if err := <-made; err != nil {
			t.Error(err)
		}
	}
	where := func(seq int64) (partition string) {
		if err := conn.QueryRow(t.Context(), "select tableoid::regclass::text from records where seq = $1", seq).Scan(&partition); err != nil {
			t.Fatal(err)
		}
		return partition
	}
	if got, want := where(1), "records_"+today.RecordedDay.Format("20060102"); got != want {
		t.Errorf("today's record lies in %s, want %s", got, want)
	}
	if got := where(2); got != "records_default" {
		t.Errorf("a record of the year 9999 lies in %s", got)
	}
	var partitions int
	if err := conn.QueryRow(t.Context(), "select count(*) from pg_inherits where inhparent = 'records'::regclass").Scan(&partitions); err != nil || partitions != 18 {
		t.Errorf("%d partitions, want 8 days behind, today, 8 ahead and the default one; %v", partitions, err)
	}
	if fates := storeReports(t, s, store.Reports{Records: []store.Record{today, impossible}}); fates.Records[0] != store.RecordDuplicate || fates.Records[1] != store.RecordDuplicate {
		t.Errorf("again: %v", fates)
	}
}

func TestRangesJoinNeighbours(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seqs := rapid.SliceOf(rapid.Int64Range(1, 30)).Draw(t, "seqs")
		want := make(map[int64]bool)
		for _, seq := range seqs {
			want[seq] = true
		}
		got, last := make(map[int64]bool), int64(-1)
		for _, r := range store.Ranges(seqs) {
			if r[0] <= last+1 && last > 0 || r[1] < r[0] {
				t.Fatalf("%v after %d: not sorted, or not joined", r, last)
			}
			for seq := r[0]; seq <= r[1]; seq++ {
				got[seq] = true
			}
			last = r[1]
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatal(diff)
		}
	})
}
