package sim

import "time"

// machine is the computer at a beacon, as far as its clocks go. The wall clock
// runs on the same oscillator as the boot-time clock and is only ever stepped;
// what is wrong with it, the source of time has to say.
type machine struct {
	booted time.Duration // true time
	boot   string        // the kernel's id of this boot
	drift  float64       // how fast its oscillator runs away, seconds per second
	atBoot time.Time     // what the wall clock showed, and every step since
}

// bootTime is what the boot-time clock shows.
func (m *machine) bootTime(now time.Duration) time.Duration {
	up := now - m.booted
	return up + time.Duration(m.drift*float64(up))
}

// wall is what the wall clock shows.
func (m *machine) wall(now time.Duration) time.Time { return m.atBoot.Add(m.bootTime(now)) }

// when is the first true time at which the boot-time clock shows boot.
func (m *machine) when(boot time.Duration) time.Duration {
	const far = 1000 * 24 * time.Hour
	if boot > far {
		return far
	}
	return m.booted + time.Duration(float64(boot)/(1+m.drift)) + time.Microsecond
}
