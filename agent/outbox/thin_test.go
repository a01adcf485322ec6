package outbox

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// inShort says what is there: h for health, o for an outcome, [boot first-last
// count] for what was thinned.
func inShort(records []*wirev1.Record) string {
	var b strings.Builder
	for _, r := range records {
		switch {
		case r.GetHealth() != nil:
			b.WriteString("h")
		case r.GetOutcome() != nil:
			b.WriteString("o")
		case r.GetThinned() != nil:
			th := r.GetThinned()
			fmt.Fprintf(&b, "[%s %d-%d %d]", th.GetBoot()[31:], th.GetFirstSeq(), th.GetLastSeq(), th.GetCount())
		}
	}
	return b.String()
}

func TestHealthThatIsTooOldIsThinned(t *testing.T) {
	folder := t.TempDir()
	o, _ := opened(t, folder, runA)
	commit(t, o, core.Commit{Records: []*wirev1.Record{
		healthAt(noon), healthAt(noon.Add(time.Minute)), outcomeAt(noon, 1), healthAt(noon.Add(2 * time.Minute)), healthAt(noon.Add(3 * time.Hour)),
	}})
	commit(t, o, core.Commit{Records: []*wirev1.Record{healthAt(noon.Add(MaxAge))}})
	if got := inShort(everything(t, o)); got != "hhohhh" {
		t.Errorf("at seven days: %s", got)
	}
	if err := o.Close(); err != nil {
		t.Fatal(err)
	}
	o, _ = opened(t, folder, runB)
	commit(t, o, core.Commit{Records: []*wirev1.Record{outcomeAt(noon.Add(MaxAge+2*time.Hour), 2)}})
	records := everything(t, o)
	if got := inShort(records); got != "ohho[a 1-2 2][a 4-4 1]" {
		t.Errorf("two hours later: %s", got)
	}
	if got := seqs(records); got != "a3 a5 a6 b1 b2 b3" {
		t.Errorf("records %s", got)
	}
	if got := o.Room().Records; got != 6 {
		t.Errorf("says that there are %d", got)
	}
}

func TestTooMuchIsThinnedOldestFirst(t *testing.T) {
	o, _ := opened(t, t.TempDir(), runA)
	o.maxBytes = 25_000
	var outcomes int
	for i := range 400 {
		at := noon.Add(time.Duration(i) * 30 * time.Second)
		sample := healthAt(at)
		sample.GetHealth().Version = strings.Repeat("x", 150)
		records := []*wirev1.Record{sample}
		if i%8 == 7 {
			outcomes++
			records = append(records, outcomeAt(at, int64(i)))
		}
		commit(t, o, core.Commit{Records: records})
		if o.bytes > o.maxBytes {
			t.Fatalf("after %d commits the outbox holds %d bytes", i+1, o.bytes)
		}
	}
	records := everything(t, o)
	short := inShort(records)
	if got := strings.Count(short, "o"); got != outcomes {
		t.Errorf("%d of %d outcomes are left", got, outcomes)
	}
	beforeHealth, _, _ := strings.Cut(short, "h")
	if len(beforeHealth) < strings.LastIndex(beforeHealth, "o") || !strings.Contains(short, "[a 1-") {
		t.Errorf("left: %s", short)
	}
	checkCovered(t, records, o.lastSeq)
	var bytes int64
	if err := o.db.QueryRow("select sum(length(bytes)) from record").Scan(&bytes); err != nil || bytes != o.bytes {
		t.Errorf("holds %d bytes and counts %d (%v)", bytes, o.bytes, err)
	}
}

// checkCovered says whether each number is either there or named as thinned.
func checkCovered(t *testing.T, records []*wirev1.Record, last uint64) {
	t.Helper()
	covered := map[uint64]int{}
	for _, r := range records {
		covered[r.GetSeq()]++
		for seq := r.GetThinned().GetFirstSeq(); seq != 0 && seq <= r.GetThinned().GetLastSeq(); seq++ {
			covered[seq]++
		}
	}
	for seq := uint64(1); seq <= last; seq++ {
		if covered[seq] != 1 {
			t.Errorf("number %d is accounted for %d times", seq, covered[seq])
		}
	}
}
