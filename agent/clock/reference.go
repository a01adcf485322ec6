package clock

import (
	"sync"
	"time"

	"lamplighter/agent/clock/gpsd"
	"lamplighter/agent/clock/holdover"
	"lamplighter/proto/setup"
)

// steeredLasts is how long gpsd's word that the oscillator is steered holds.
const steeredLasts = 5 * time.Second

// reference is the oscillator that the transmitter's frequency comes from.
type reference struct {
	mu      sync.Mutex
	known   holdover.Frequency
	steered time.Time // when it was last told to be steered
}

func newReference(r setup.Reference) *reference {
	known := holdover.Frequency{
		Kind: holdover.Calibrated, PPB: r.UncertaintyPPB, At: r.ComparedOn(), Celsius: r.Celsius,
		AgeingPPBPerDay: r.AgeingPPBPerDay, PPBPerKelvin: r.PPBPerKelvin,
	}
	if r.Steered == "gpsd" {
		known.Kind = holdover.DisciplinedByPulse
	}
	return &reference{known: known}
}

// hear takes in what gpsd says of an oscillator.
func (r *reference) hear(osc gpsd.OSC) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if osc.Running && osc.Reference && osc.Disciplined {
		r.steered = time.Now()
	}
}

// ppb is how far off it may be, in parts per billion; nil: not known.
func (r *reference) ppb(now time.Time, celsius *float64) *float64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.steered.IsZero() && time.Since(r.steered) <= steeredLasts {
		r.known.At, r.known.Celsius = now, celsius
	}
	ppb, verdict := r.known.Uncertainty(now, celsius)
	if verdict != holdover.Known {
		return nil
	}
	return &ppb
}
