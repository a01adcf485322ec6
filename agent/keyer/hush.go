package keyer

import (
	"slices"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/planted"
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
	if planted.Is("S9 an older hush") {
		no = nil
	}
	if no != nil && (no.reason != Conflicting || !stopsAll(next, old)) {
		return no
	}
	if !same(old, next) {
		c.wanted.hush = next
	}
	c.wanted.hushUnknown = false
	return nil
}

// everyBand stands for all bands.
const everyBand = ""

// stops says whether a hush state stops a band; everyBand asks for all of them.
// One that says more than it may stops everything.
func stops(h *held[*wirev1.Hush], band string) bool {
	if h == nil {
		return false
	}
	scopes := h.message.GetScopes()
	return len(scopes) > maxHushScopes || slices.ContainsFunc(scopes, func(s *wirev1.HushScope) bool {
		return s.GetBand() == everyBand || s.GetBand() == band
	})
}

// stopsAll says whether next stops all that old stops.
func stopsAll(next, old *held[*wirev1.Hush]) bool {
	if stops(old, everyBand) {
		return stops(next, everyBand)
	}
	return !slices.ContainsFunc(old.message.GetScopes(), func(s *wirev1.HushScope) bool { return !stops(next, s.GetBand()) })
}

// hushes are those that count: what is on disk and what is on its way there.
func (c *Core) hushes() [2]*held[*wirev1.Hush] {
	if planted.Is("S6 a hush waits for the disk") {
		return [2]*held[*wirev1.Hush]{c.onDisk.hush}
	}
	return [...]*held[*wirev1.Hush]{c.onDisk.hush, c.wanted.hush}
}

// silenced says whether a band is hushed; everyBand asks for all of them.
func (c *Core) silenced(band string) bool {
	if c.wanted.hushUnknown || c.onDisk.hushUnknown {
		return true
	}
	for _, h := range c.hushes() {
		if stops(h, band) {
			return true
		}
	}
	return false
}

// anyHushed says whether anything is hushed.
func (c *Core) anyHushed() bool {
	for _, h := range c.hushes() {
		if h != nil && len(h.message.GetScopes()) > 0 {
			return true
		}
	}
	return c.silenced(everyBand)
}
