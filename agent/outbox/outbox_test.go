package outbox

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

func TestMain(m *testing.M) {
	if folder := os.Getenv(victimFolder); folder != "" {
		os.Exit(victim(folder))
	}
	goleak.VerifyTestMain(m)
}

const (
	runA = "0000000000000000000000000000000a"
	runB = "0000000000000000000000000000000b"
)

var noon = time.Date(2026, 12, 1, 12, 0, 0, 0, time.UTC)

func opened(t *testing.T, folder, run string) (*Outbox, core.Restored) {
	t.Helper()
	o, restored, err := Open(folder, run)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = o.Close() }) // a second time is no harm
	return o, restored
}

func healthAt(at time.Time) *wirev1.Record {
	return &wirev1.Record{DeviceUnixUs: at.UnixMicro(), RecordedDay: 20788, Body: &wirev1.Record_Health{Health: &wirev1.Health{TakenUnixMs: at.UnixMilli()}}}
}

func outcomeAt(at time.Time, n int64) *wirev1.Record {
	return &wirev1.Record{DeviceUnixUs: at.UnixMicro(), RecordedDay: 20788, Body: &wirev1.Record_Outcome{Outcome: &wirev1.Outcome{
		Transmission: &wirev1.Transmission{Slot: n}, Kind: wirev1.OutcomeKind_OUTCOME_KIND_SENT,
	}}}
}

func commit(t *testing.T, o *Outbox, c core.Commit) {
	t.Helper()
	if err := o.Commit(c); err != nil {
		t.Fatal(err)
	}
}

// everything fetches all that is there.
func everything(t *testing.T, o *Outbox) []*wirev1.Record {
	t.Helper()
	var list []*wirev1.Record
	for after, more := int64(0), true; more; {
		answer, err := o.Fetch(core.Fetch{After: after, MaxRecords: 7, MaxBytes: 1 << 20})
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range answer.Records {
			var r wirev1.Record
			if err := proto.Unmarshal(s.Bytes, &r); err != nil {
				t.Fatal(err)
			}
			if r.GetBoot() != s.Key.Boot || r.GetSeq() != s.Key.Seq {
				t.Errorf("record %s %d stands under the key %v", r.GetBoot(), r.GetSeq(), s.Key)
			}
			list, after = append(list, &r), s.Position
		}
		more = answer.More
	}
	return list
}

func seqs(records []*wirev1.Record) string {
	var parts []string
	for _, r := range records {
		parts = append(parts, fmt.Sprintf("%s%d", r.GetBoot()[31:], r.GetSeq()))
	}
	return strings.Join(parts, " ")
}

func TestEverythingOutlivesTheProcess(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "made", "when missing? 100%")
	o, restored := opened(t, folder, runA)
	if diff := cmp.Diff(core.Restored{}, restored); diff != "" {
		t.Errorf("a new outbox restores %s", diff)
	}
	saved := core.Saved{Orders: []byte("orders"), Hush: []byte("hush"), Accounted: -3, Tally: core.Tally{Day: 20788, Sent: 2, Skipped: 1}, Newer: core.Newer{Epoch: 9, Revision: 4, Reader: 2}}
	intent := core.Intent{Slot: 12, Outcome: &wirev1.Outcome{Transmission: &wirev1.Transmission{Slot: 12, Band: "40m"}}}
	commit(t, o, core.Commit{Records: []*wirev1.Record{healthAt(noon), outcomeAt(noon, 9)}, Open: []core.Intent{intent, {Slot: 13, Outcome: &wirev1.Outcome{}}}, Saved: saved})
	commit(t, o, core.Commit{Records: []*wirev1.Record{outcomeAt(noon, 13)}, Close: []slot.Number{13}, Saved: saved})
	if err := o.Close(); err != nil {
		t.Fatal(err)
	}
	o, restored = opened(t, folder, runB)
	want := core.Restored{PreviousBoot: runA, PreviousLastSeq: 3, Saved: saved, Intents: []core.Intent{intent}, Records: 3}
	if diff := cmp.Diff(want, restored, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	commit(t, o, core.Commit{Records: []*wirev1.Record{healthAt(noon)}, Saved: saved})
	if got := seqs(everything(t, o)); got != "a1 a2 a3 b1" {
		t.Errorf("records %s", got)
	}
}

func TestOnlyWhatAReceiptCoversIsDeleted(t *testing.T) {
	o, _ := opened(t, t.TempDir(), runA)
	var records []*wirev1.Record
	for range 20 {
		records = append(records, healthAt(noon))
	}
	commit(t, o, core.Commit{Records: records})
	err := o.Delete([]*wirev1.ReceiptRange{
		{Boot: runA, FirstSeq: 1, LastSeq: 4},
		{Boot: runA, FirstSeq: 3, LastSeq: 5},
		{Boot: runB, FirstSeq: 1, LastSeq: 1 << 63},
		{Boot: runA, FirstSeq: 19, LastSeq: 1<<64 - 1},
		{Boot: runA, FirstSeq: 1 << 63, LastSeq: 1<<64 - 1},
	})
	if err != nil {
		t.Fatal(err)
	}
	if got := seqs(everything(t, o)); got != "a6 a7 a8 a9 a10 a11 a12 a13 a14 a15 a16 a17 a18" {
		t.Errorf("left: %s", got)
	}
	if got := o.Room().Records; got != 13 {
		t.Errorf("says that %d are left", got)
	}
	if err := o.Delete([]*wirev1.ReceiptRange{{Boot: runA, FirstSeq: 1, LastSeq: 20}}); err != nil {
		t.Fatal(err)
	}
	commit(t, o, core.Commit{Records: []*wirev1.Record{healthAt(noon)}})
	if got := seqs(everything(t, o)); got != "a21" {
		t.Errorf("after all were deleted the next is %s", got)
	}
	if answer, err := o.Fetch(core.Fetch{After: 20, MaxRecords: 1, MaxBytes: 1}); err != nil || len(answer.Records) != 1 {
		t.Errorf("a position was used twice: %v %v", answer, err)
	}
}

func TestAFetchIsBoundedByNumberAndSize(t *testing.T) {
	o, _ := opened(t, t.TempDir(), runA)
	commit(t, o, core.Commit{Records: []*wirev1.Record{healthAt(noon), healthAt(noon), healthAt(noon)}})
	for _, test := range []struct {
		records, bytes, want int
		more                 bool
	}{{3, 1 << 20, 3, false}, {2, 1 << 20, 2, true}, {3, 1, 1, true}} {
		answer, err := o.Fetch(core.Fetch{MaxRecords: test.records, MaxBytes: test.bytes})
		if err != nil || len(answer.Records) != test.want || answer.More != test.more {
			t.Errorf("%+v gave %d, more %v, %v", test, len(answer.Records), answer.More, err)
		}
	}
}

// A full disk is played by a limit on the database's pages: SQLite reports the
// same error for both.
func TestAFullDiskWritesNothingAndUsesNoNumber(t *testing.T) {
	folder := t.TempDir()
	o, _ := opened(t, folder, runA)
	commit(t, o, core.Commit{Records: []*wirev1.Record{healthAt(noon)}})
	if _, err := o.db.Exec("pragma max_page_count = 12"); err != nil {
		t.Fatal(err)
	}
	large := healthAt(noon)
	large.GetHealth().Version = strings.Repeat("x", 200_000)
	err := o.Commit(core.Commit{
		Records: []*wirev1.Record{outcomeAt(noon, 1), large}, Open: []core.Intent{{Slot: 5, Outcome: &wirev1.Outcome{}}},
		Saved: core.Saved{Accounted: 5},
	})
	if err == nil || !strings.Contains(err.Error(), "full") {
		t.Fatalf("a full disk gives %v", err)
	}
	commit(t, o, core.Commit{Records: []*wirev1.Record{outcomeAt(noon, 1)}})
	if got := seqs(everything(t, o)); got != "a1 a2" {
		t.Errorf("records %s", got)
	}
	if err := o.Close(); err != nil {
		t.Fatal(err)
	}
	if _, restored := opened(t, folder, runB); len(restored.Intents) != 0 || restored.Saved.Accounted != 0 || restored.PreviousLastSeq != 2 {
		t.Errorf("half of a failed commit is there: %+v", restored)
	}
}

func TestACommitThatWasReportedAsFailedIsTakenBack(t *testing.T) {
	o, _ := opened(t, t.TempDir(), runA)
	commit(t, o, core.Commit{Records: []*wirev1.Record{healthAt(noon)}})
	before := o.lastSeq
	commit(t, o, core.Commit{Records: []*wirev1.Record{healthAt(noon), healthAt(noon)}})
	o.lastSeq, o.uncertain = before, true // as if the answer had been an error
	commit(t, o, core.Commit{Records: []*wirev1.Record{outcomeAt(noon, 1)}})
	records := everything(t, o)
	if got := seqs(records); got != "a1 a2" || records[1].GetOutcome() == nil {
		t.Errorf("records %s", got)
	}
	if got := o.Room().Records; got != 2 {
		t.Errorf("says that there are %d", got)
	}
}

func TestTwoAgentsCanNotShareAFolder(t *testing.T) {
	folder := t.TempDir()
	o, _ := opened(t, folder, runA)
	commit(t, o, core.Commit{Records: []*wirev1.Record{healthAt(noon)}})
	if _, _, err := Open(folder, runB); err == nil || !strings.Contains(err.Error(), "another agent") {
		t.Errorf("the second is told %v", err)
	}
}

func TestABrokenDatabaseIsMovedAside(t *testing.T) {
	garbage := []byte(strings.Repeat("not a database ", 1000))
	for _, test := range []struct {
		name string
		harm func(path string, whole []byte) []byte
	}{
		{"garbage", func(string, []byte) []byte { return garbage }},
		{"pages overwritten", func(_ string, whole []byte) []byte {
			for i := 4096; i < len(whole); i++ {
				whole[i] = byte(i * 7)
			}
			return whole
		}},
		{"cut short", func(_ string, whole []byte) []byte { return whole[:len(whole)/2] }},
	} {
		t.Run(test.name, func(t *testing.T) {
			folder := t.TempDir()
			path := filepath.Join(folder, name)
			o, _ := opened(t, folder, runA)
			for range 50 {
				commit(t, o, core.Commit{Records: []*wirev1.Record{healthAt(noon), outcomeAt(noon, 1)}})
			}
			if err := o.Close(); err != nil {
				t.Fatal(err)
			}
			whole, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			harmed := test.harm(path, whole)
			if err := os.WriteFile(path, harmed, 0o600); err != nil {
				t.Fatal(err)
			}
			o, restored := opened(t, folder, runB)
			if !strings.Contains(restored.Trouble, "moved to "+name+".broken-1") || restored.PreviousBoot != "" {
				t.Errorf("restored %+v", restored)
			}
			if kept, err := os.ReadFile(path + ".broken-1"); err != nil || len(kept) < len(harmed)/2 {
				t.Errorf("the broken file was not kept: %d bytes, %v", len(kept), err)
			}
			commit(t, o, core.Commit{Records: []*wirev1.Record{healthAt(noon)}})
			if got := seqs(everything(t, o)); got != "b1" {
				t.Errorf("records %s", got)
			}
		})
	}
}

func TestAFolderThatCanNotBeMadeIsSaid(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Open(filepath.Join(file, "folder"), runA); err == nil || !strings.Contains(err.Error(), "folder can't be made") {
		t.Errorf("got %v", err)
	}
}
