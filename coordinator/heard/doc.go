// Package heard decides what reports of receivers say about our transmissions.
//
// A reception says that a receiver heard a call sign on a frequency in a slot.
// It is read from CSV or from the open log exchange format (ADIF), checked
// against bounds, and matched with what our beacons transmitted: slot, band and
// call sign have to be those of a transmission. What matches none is kept apart
// with the reason, one of the Reasons; a report that comes before the beacon's
// own word waits for it.
//
// Distances and bearings are geodesics on the ellipsoid of WGS 84, from our
// site's locator to the receiver's, both taken at the middle of their cells.
// A receiver within NearKm hears by the direct way whatever the ionosphere does:
// its reports count neither for the share of transmissions that were heard nor
// for distance.
//
// The same reports calibrate: what receivers say of the frequency, less what was
// planned, in the median over many receivers, each of which is off by itself.
// That is a proposal for a person, and nothing here applies it.
package heard
