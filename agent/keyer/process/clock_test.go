package process

import (
	"testing"
	"time"
)

func TestTheMachinesClocksGoTogether(t *testing.T) {
	first := MachineClock{}.Now()
	fire, stop := MachineClock{}.Timer(20 * time.Millisecond)
	defer stop()
	<-fire
	second := MachineClock{}.Now()
	boot, wall := second.Boot-first.Boot, second.Wall.Sub(first.Wall)
	if boot < 20*time.Millisecond || (wall-boot).Abs() > 5*time.Millisecond {
		t.Errorf("boot clock %v, wall clock %v", boot, wall)
	}
	if id, err := bootID(); err != nil || len(id) != 36 {
		t.Errorf("boot id %q: %v", id, err)
	}
}
