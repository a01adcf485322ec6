package keyer

import (
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

// takeHush lets more silence count unless a higher number was accepted, and
// less silence only with a higher one.
func (c *Core) takeHush(sealed []byte) *refusal {
	next, no := open(c.config, seal.Hush, sealed, &wirev1.Hush{}, func(m *wirev1.Hush) number {
		return number{m.GetEpoch(), m.GetNumber()}
	})
	if no != nil {
		return no
	}
	old := c.wanted.hush
	no = succeeds(old, next)
	if no != nil && (no.reason != Conflicting || !stopsAll(next, old)) {
		return no
	}
	if !same(old, next) {
		c.wanted.hush = next
	}
	c.wanted.hushUnknown = false
	return nil
}

// everyBand stands for all bands in a set of silent ones.
const everyBand = ""

// silentBands is what a hush state stops. One that says more than it may stops
// everything.
func silentBands(h *held[*wirev1.Hush]) map[string]bool {
	silent := map[string]bool{}
	if h != nil && len(h.message.GetScopes()) > maxHushScopes {
		silent[everyBand] = true
	} else if h != nil {
		for _, scope := range h.message.GetScopes() {
			silent[scope.GetBand()] = true
		}
	}
	return silent
}

// stopsAll says whether next stops all that old stops.
func stopsAll(next, old *held[*wirev1.Hush]) bool {
	silent := silentBands(next)
	for band := range silentBands(old) {
		if !silent[band] && !silent[everyBand] {
			return false
		}
	}
	return true
}

// silenced says whether a band is hushed; everyBand asks for all of them. What
// is on disk and what is on its way there both count.
func (c *Core) silenced(band string) bool {
	if c.wanted.hushUnknown || c.onDisk.hushUnknown {
		return true
	}
	for _, h := range []*held[*wirev1.Hush]{c.onDisk.hush, c.wanted.hush} {
		if silent := silentBands(h); silent[everyBand] || silent[band] {
			return true
		}
	}
	return false
}

// anyHushed says whether anything is hushed.
func (c *Core) anyHushed() bool {
	return c.silenced(everyBand) || len(silentBands(c.onDisk.hush))+len(silentBands(c.wanted.hush)) > 0
}
