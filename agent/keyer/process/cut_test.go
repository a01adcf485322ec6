package process_test

import (
	"math/rand/v2"
	"syscall"
	"testing"
	"time"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
)

// A keyer is killed at random moments while it writes one stop state after
// another. What it said was on disk is there, and it is silent from its first
// word on.
func TestS6NoStopIsLostWhenTheKeyerIsKilledAsItWrites(t *testing.T) {
	dir := t.TempDir()
	random := rand.New(rand.NewPCG(3, 4))
	var number, kept uint64
	for range cuts {
		a := start(t, dir)
		s := a.status("the first", func(*keyerv1.Status) bool { return true })
		if s.GetTripped() != "" || s.GetHush().GetNumber() < kept || (kept > 0 && !s.GetHushed()) {
			t.Fatalf("%v, and stop %d was on disk", s, kept)
		}
		pid := keyerOf(t, dir)
		number = s.GetHush().GetNumber()
		killing := time.AfterFunc(time.Duration(random.Int64N(int64(20*time.Millisecond))), func() { _ = syscall.Kill(pid, syscall.SIGKILL) })
		for a.client.Send(hush(number+1, "40m")) == nil {
			number++
			v, ok := verdictOrEnd(a)
			if !ok {
				break
			}
			if v.GetRefusal() != "" {
				t.Fatalf("%v", v)
			}
			kept = number
		}
		for range a.client.Messages() {
		}
		killing.Stop()
		a.silent()
	}
	t.Logf("%d kills, %d stops", cuts, kept)
}

// verdictOrEnd waits for a verdict, or for the keyer's end.
func verdictOrEnd(a *agent) (*keyerv1.Verdict, bool) {
	for m := range a.client.Messages() {
		if m.GetVerdict() != nil {
			return m.GetVerdict(), true
		}
	}
	return nil, false
}
