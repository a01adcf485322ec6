// Package rollup condenses what beacons reported into hours and days, which are
// kept for ever while the raw health samples are not.
//
// An hour keeps, minute by minute, whether the beacon was heard, ready, locked,
// in holdover and on the air, as bitmaps; so any period that begins and ends on
// a minute can be told from hours alone, in every zone. A minute counts as heard
// when a health sample was taken in it, by the beacon's own clock: samples that
// came late, after the link was away, count all the same. It counts as ready or
// locked when every sample in it was.
//
// Bounds on errors are kept as a histogram of values that are rounded up to
// three significant digits. Rounding up keeps the order, so a percentile of the
// rounded values is the rounded percentile, and however many hours are merged,
// the result is what all the samples together give.
//
// Slots are counted by band, ending and reason, as the ledger has them.
package rollup
