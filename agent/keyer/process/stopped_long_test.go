//go:build long

package process_test

import (
	"syscall"
	"testing"
	"time"

	"lamplighter/agent/keyer/process"
)

// hardware is a timer behind the key line: it cuts the supply of what it gates
// so long after the line has risen, and until it has fallen.
type hardware struct{ limit time.Duration }

// carrier says whether there is one, by the changes of the line so far.
func (h hardware) carrier(line []change, now time.Duration) bool {
	var rose time.Duration
	for i, c := range line {
		if c.level == high && (i == 0 || line[i-1].level == low) {
			rose = c.at
		}
	}
	return len(line) > 0 && line[len(line)-1].level == high && now-rose < h.limit
}

// A keyer that is stopped can't key up, and nothing in software holds the line
// but it: the carrier stays until the hardware's timer ends it. (Some seconds
// later the agent kills the keyer that says nothing, and silences. A machine
// that is stopped as a whole does not even do that.)
func TestAStoppedKeyerIsBeyondSoftware(t *testing.T) {
	b := startKeyed(t)
	defer b.stop()
	timer := hardware{4 * time.Second} // 125 s in earnest
	rose := awaitWire(t, b.dir, high)
	if err := syscall.Kill(keyerOf(t, b.dir), syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	clock := process.MachineClock{}
	wait := clock.Timer()
	defer wait.Stop()
	wait.Set(rose + 3*time.Second - clock.Now().Boot)
	<-wait.Fires()
	if !timer.carrier(changes(t, b.dir), clock.Now().Boot) {
		t.Fatal("no carrier after the end of the transmission: the keyer was not stopped, or somebody keyed up")
	}
	wait.Set(rose + timer.limit - clock.Now().Boot)
	<-wait.Fires()
	if line := changes(t, b.dir); line[len(line)-1].level != high || timer.carrier(line, clock.Now().Boot) {
		t.Errorf("line %v, and the timer should have ended the carrier", line)
	}
	t.Logf("the agent silenced it %v after the start", awaitWire(t, b.dir, low)-rose)
}
