package outbox

import (
	"bufio"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// victimFolder tells the test binary to be the process that is killed.
const victimFolder = "OUTBOX_VICTIM_FOLDER"

// victim opens an intent, then closes it with its outcome, and so on, saying
// on standard output what was reported as written.
func victim(folder string) int {
	runtime.LockOSThread() // so that whoever counts what it asks of the kernel sees it in order
	run := fmt.Sprintf("%032x", time.Now().UnixNano())
	o, restored, err := Open(folder, run)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	n := restored.Saved.Accounted
	start := core.Commit{Saved: core.Saved{Accounted: n}, Records: []*wirev1.Record{{Body: &wirev1.Record_RunStarted{
		RunStarted: &wirev1.RunStarted{PreviousBoot: restored.PreviousBoot, PreviousLastSeq: restored.PreviousLastSeq},
	}}}}
	for _, intent := range restored.Intents {
		start.Close = append(start.Close, intent.Slot)
		start.Records = append(start.Records, outcomeAt(noon, int64(intent.Slot)))
	}
	for err = o.Commit(start); err == nil; err = o.Commit(core.Commit{
		Close: []slot.Number{n}, Records: []*wirev1.Record{outcomeAt(noon, int64(n))}, Saved: core.Saved{Accounted: n},
	}) {
		fmt.Println("slots", n)
		n++
		if err := o.Commit(core.Commit{Open: []core.Intent{{Slot: n, Outcome: &wirev1.Outcome{}}}, Saved: core.Saved{Accounted: n}}); err != nil {
			break
		}
	}
	fmt.Fprintln(os.Stderr, err)
	return 1
}

// A process that writes is killed at random moments. What it said was written
// is there; every slot has one outcome; no number is missing.
func TestKilledAtAnyMoment(t *testing.T) {
	folder := t.TempDir()
	random := rand.New(rand.NewPCG(1, 2))
	reported := 0
	for range kills {
		reported = max(reported, murder(t, folder, random.IntN(40)))
	}
	if reported == 0 {
		t.Error("nothing was written")
	}
	t.Logf("%d kills, %d slots", kills, accounted(t, folder, reported))
}

// accounted opens what killed processes have left: slots up to the last one that
// was reported are there, each with one outcome, and no number is missing. It
// says which one is the last.
func accounted(t *testing.T, folder string, reported int) int {
	t.Helper()
	o, restored := opened(t, folder, runB)
	if restored.Trouble != "" {
		t.Fatal(restored.Trouble)
	}
	if int(restored.Saved.Accounted) < reported {
		t.Errorf("slot %d was reported as written, and the disk knows of %d", reported, restored.Saved.Accounted)
	}
	outcomes := map[int64]int{}
	for _, intent := range restored.Intents {
		outcomes[int64(intent.Slot)]++
	}
	boot, seq := "", uint64(0)
	for _, r := range everything(t, o) {
		if started := r.GetRunStarted(); started != nil {
			if started.GetPreviousBoot() != boot || started.GetPreviousLastSeq() != seq {
				t.Errorf("after %s %d comes %v", boot, seq, started)
			}
			boot, seq = r.GetBoot(), 0
		}
		if seq++; r.GetSeq() != seq || r.GetBoot() != boot {
			t.Errorf("record %d of %s comes in the place of %d of %s", r.GetSeq(), r.GetBoot(), seq, boot)
		}
		if outcome := r.GetOutcome(); outcome != nil {
			outcomes[outcome.GetTransmission().GetSlot()]++
		}
	}
	for n := int64(1); n <= int64(restored.Saved.Accounted); n++ {
		if outcomes[n] != 1 {
			t.Errorf("slot %d has %d outcomes", n, outcomes[n])
		}
	}
	return int(restored.Saved.Accounted)
}

// murder lets a victim write, kills it after some reports, and returns the
// last slot that it reported.
func murder(t *testing.T, folder string, reports int) int {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), victimFolder+"="+folder)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	last := lastReport(t, out, func() {
		if reports--; reports < 0 {
			if err := cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
	})
	if err := cmd.Wait(); err == nil {
		t.Fatal("the victim ended by itself")
	}
	return last
}

// lastReport reads a victim's reports to their end and returns the last slot.
func lastReport(t *testing.T, from io.Reader, each func()) (last int) {
	t.Helper()
	lines := bufio.NewScanner(from)
	for lines.Scan() {
		n, err := strconv.Atoi(strings.TrimPrefix(lines.Text(), "slots "))
		if err != nil {
			t.Fatal(err)
		}
		last = n
		each()
	}
	return last
}
