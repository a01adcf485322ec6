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

// Both kinds of timer fire for the time that they were set to last, over and
// over, and never before it.
func TestATimerIsSetAnew(t *testing.T) {
	for name, timer := range map[string]Timer{"kernel": MachineClock{}.Timer(), "language": newCoarseTimer()} {
		t.Run(name, func(t *testing.T) {
			defer timer.Stop()
			for range 20 {
				timer.Set(time.Hour)
				set := bootTime()
				timer.Set(2 * time.Millisecond)
				<-timer.Fires()
				if passed := bootTime() - set; passed < 2*time.Millisecond {
					t.Errorf("fired after %v", passed)
				}
			}
			timer.Set(time.Nanosecond)
			<-timer.Fires()
			timer.Set(0)
			<-timer.Fires()
		})
	}
}

// A timer of the kernel that can't be read any more is not waited for in vain.
func TestABrokenTimerFires(t *testing.T) {
	timer := MachineClock{}.Timer()
	timer.Set(time.Hour)
	timer.Stop()
	for range 3 {
		<-timer.Fires()
	}
}
