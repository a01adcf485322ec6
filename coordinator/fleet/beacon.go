package fleet

import (
	"slices"
	"time"

	"lamplighter/proto/onair/band"
)

// UncertaintyHz returns u, how far the beacon's signal may be off on a band in
// hertz: the oscillator's parts per million of the middle of the usual window.
func (b *Beacon) UncertaintyHz(bd band.Band) float64 {
	return b.Uncertainty.Float64() * 1e-6 * bd.CentreHz()
}

// Use returns how the beacon uses a band, and whether it does.
func (b *Beacon) Use(bandName string) (BandUse, bool) {
	i := slices.IndexFunc(b.Bands, func(use BandUse) bool { return use.Band.Name == bandName })
	if i < 0 {
		return BandUse{}, false
	}
	return b.Bands[i], true
}

// Licensed tells whether the licence's dates hold over all of [start, end).
func (b *Beacon) Licensed(start, end time.Time) bool {
	from, to := b.Licence.ValidFrom, b.Licence.ValidTo
	return (from.IsZero() || !start.Before(from)) && (to.IsZero() || !end.After(to))
}

// Rate returns the greatest share of slots that the beacon can be on the air
// and wants to be: min(share, 1/(rest+1)).
func (b *Beacon) Rate() Decimal { return b.Share.Min(Ratio(1, int64(b.Rest)+1)) }

// passes tells whether a filter that is in place passes the band, or none is
// needed.
func (b *Beacon) passes(bandName string) bool {
	if len(b.Filters) == 0 {
		return true
	}
	return slices.ContainsFunc(b.Filters, func(f Filter) bool {
		return (!f.Plug || f.Name == b.Plugged) && slices.Contains(f.Passes, bandName)
	})
}
