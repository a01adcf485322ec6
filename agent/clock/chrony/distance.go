package chrony

import "time"

// Distance is what a root distance is made of (RFC 5905, A.5.5.2).
type Distance struct {
	RootDelay, RootDispersion time.Duration // of the reference
	Delay, Dispersion, Jitter time.Duration // on the way to it; all 0 if the root ones include it
	Age                       time.Duration // of the latest measurement
}

const (
	// leastDispersion is MINDISP. RFC 5905 says 0.005 s in its table of
	// parameters (section 7.2) and 0.01 s in its example program; this is the
	// table's, which is the specification.
	leastDispersion = 5 * time.Millisecond
	// tolerance is PHI, how fast a clock may run away, in seconds per second.
	tolerance = 15e-6
)

// Root is the root distance: how far the clock may be from the reference.
func (d Distance) Root() time.Duration {
	gathered := time.Duration(tolerance * float64(d.Age.Abs()))
	return max(leastDispersion, d.RootDelay+d.Delay)/2 + d.RootDispersion + d.Dispersion + gathered + d.Jitter
}
