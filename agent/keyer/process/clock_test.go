package process

import (
	"testing"
	"time"
)

func TestTheMachinesClocksGoTogether(t *testing.T) {
	first := MachineClock{}.Now()
	timer := MachineClock{}.Timer()
	defer timer.Stop()
	timer.Set(20 * time.Millisecond)
	<-timer.Fires()
	second := MachineClock{}.Now()
	boot, wall := second.Boot-first.Boot, second.Wall.Sub(first.Wall)
	if boot < 20*time.Millisecond || (wall-boot).Abs() > 5*time.Millisecond {
		t.Errorf("boot clock %v, wall clock %v", boot, wall)
	}
	if id, err := bootID(); err != nil || len(id) != 36 {
		t.Errorf("boot id %q: %v", id, err)
	}
}
