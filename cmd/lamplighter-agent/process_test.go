package main

import (
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"lamplighter/agent/app/apptest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// running is the program in a process of its own.
type running struct {
	t   *testing.T
	cmd *exec.Cmd
	end chan error
}

func start(t *testing.T, config string) *running {
	t.Helper()
	r := &running{t: t, cmd: exec.Command(os.Args[0], "run", "--config", config), end: make(chan error, 1)}
	r.cmd.Env = append(os.Environ(), asProgram+"=1")
	r.cmd.Stderr = t.Output()
	if err := r.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() { r.end <- r.cmd.Wait() }()
	t.Cleanup(func() { _ = r.cmd.Process.Kill() })
	return r
}

// signal sends a signal and waits for the end.
func (r *running) signal(s os.Signal) error {
	r.t.Helper()
	if err := r.cmd.Process.Signal(s); err != nil {
		r.t.Fatal(err)
	}
	select {
	case err := <-r.end:
		return err
	case <-time.After(10 * time.Second):
		r.t.Fatal("the program does not end")
		return nil
	}
}

// logged is a line of the simulated transmitter's log.
type logged struct {
	At  time.Time `json:"at"`
	Did string    `json:"did"`
}

func transmitterLog(t *testing.T, path string) []logged {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var list []logged
	for line := range strings.Lines(string(text)) {
		if !strings.HasSuffix(line, "\n") { // it is being written
			break
		}
		var l logged
		if err := json.Unmarshal([]byte(line), &l); err != nil {
			t.Fatalf("log: %q: %v", line, err)
		}
		list = append(list, l)
	}
	return list
}

// awaitKeyUp waits until the last line of the log is a key-up and says when
// that was.
func awaitKeyUp(t *testing.T, path string) time.Time {
	t.Helper()
	limit := time.After(10 * time.Second)
	look := time.NewTicker(10 * time.Millisecond)
	defer look.Stop()
	for {
		select {
		case <-look.C:
			if list := transmitterLog(t, path); len(list) > 0 && list[len(list)-1].Did == "unkey" {
				return list[len(list)-1].At
			}
		case <-limit:
			t.Fatal("the key stays down")
		}
	}
}

// The agent is killed in mid-transmission, again and again: the key goes up,
// and every slot has one outcome.
func TestAnAgentThatIsKilledIsSilentAndLosesNothing(t *testing.T) {
	s := apptest.New(t)
	log := filepath.Join(t.TempDir(), "tones")
	s.File.Transmitter.Log = log
	config := written(t, s.File)
	s.Order(1)
	var records []*wirev1.Record
	await := func(what string, right func(*wirev1.Record) bool) *wirev1.Record {
		return apptest.Await(t, what, s.Records, func(r *wirev1.Record) bool {
			records = append(records, r)
			return right(r)
		})
	}
	for range 3 {
		r := start(t, config)
		run := await("a new run", func(r *wirev1.Record) bool { return r.GetRunStarted() != nil }).GetBoot()
		apptest.Await(t, "a transmission of this run", s.Health, func(h *wirev1.Health) bool { return h.GetOnAir() && h.GetRun() == run })
		killed := time.Now()
		if err := r.signal(syscall.SIGKILL); err == nil {
			t.Fatal("a killed program ended well")
		}
		if took := awaitKeyUp(t, log).Sub(killed); took > 500*time.Millisecond {
			t.Errorf("silent %v after the kill", took)
		}
	}
	r := start(t, config)
	await("a slot that is sent", apptest.Ended(wirev1.OutcomeKind_OUTCOME_KIND_SENT, ""))
	if err := r.signal(syscall.SIGTERM); err != nil {
		t.Errorf("a clean end gives %v", err)
	}
	awaitKeyUp(t, log)
	checkRecords(t, records)
}

func checkRecords(t *testing.T, records []*wirev1.Record) {
	t.Helper()
	seen := map[string]map[uint64]bool{}
	outcomes := map[int64]string{}
	var first, last int64
	for _, r := range records {
		if seen[r.GetBoot()] == nil {
			seen[r.GetBoot()] = map[uint64]bool{}
		}
		if seen[r.GetBoot()][r.GetSeq()] {
			continue // sent twice, which is what the number is for
		}
		seen[r.GetBoot()][r.GetSeq()] = true
		o := r.GetOutcome()
		if o == nil {
			continue
		}
		n := o.GetTransmission().GetSlot()
		if before, twice := outcomes[n]; twice {
			t.Errorf("slot %d has the outcomes %s and %s %s", n, before, o.GetKind(), o.GetReason())
		}
		outcomes[n] = o.GetKind().String() + " " + o.GetReason()
		if first == 0 || n < first {
			first = n
		}
		last = max(last, n)
	}
	restarted := 0
	for n := first; n <= last; n++ {
		if outcomes[n] == "" {
			t.Errorf("slot %d has no outcome", n)
		}
		if strings.Contains(outcomes[n], "agent_restarted") {
			restarted++
		}
	}
	if restarted < 3 || restarted > 6 { // each kill ends one, and maybe the next that was decided on
		t.Errorf("%d slots were ended by three kills", restarted)
	}
}

func TestAProgramEndsWellWhenAsked(t *testing.T) {
	for _, s := range []syscall.Signal{syscall.SIGTERM, syscall.SIGINT} {
		station := apptest.New(t)
		r := start(t, written(t, station.File))
		apptest.Await(t, "a sign of life", station.Health, func(*wirev1.Health) bool { return true })
		if err := r.signal(s); err != nil {
			t.Errorf("%v gives %v", s, err)
		}
	}
}

func TestAFolderInUseIsRefused(t *testing.T) {
	station := apptest.New(t)
	config := written(t, station.File)
	first := start(t, config)
	apptest.Await(t, "a sign of life", station.Health, func(*wirev1.Health) bool { return true })
	second := exec.Command(os.Args[0], "run", "--config", config)
	second.Env = append(os.Environ(), asProgram+"=1")
	said, err := second.CombinedOutput()
	if exit, ok := errors.AsType[*exec.ExitError](err); !ok || exit.ExitCode() != failed || !strings.Contains(string(said), "another agent") {
		t.Errorf("the second one: %v, said %s", err, said)
	}
	if err := first.signal(syscall.SIGTERM); err != nil {
		t.Error(err)
	}
}
