package machine

import (
	"testing"
	"time"
)

// Both kinds of timer fire for the time that they were set to last, over and
// over, and never before it.
func TestATimerIsSetAnew(t *testing.T) {
	for name, timer := range map[string]Timer{"kernel": NewTimer(), "language": newCoarseTimer()} {
		t.Run(name, func(t *testing.T) {
			defer timer.Stop()
			for range 20 {
				timer.Set(time.Hour)
				set := BootTime()
				timer.Set(2 * time.Millisecond)
				<-timer.Fires()
				if passed := BootTime() - set; passed < 2*time.Millisecond {
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
	timer := NewTimer()
	timer.Set(time.Hour)
	timer.Stop()
	for range 3 {
		<-timer.Fires()
	}
}
