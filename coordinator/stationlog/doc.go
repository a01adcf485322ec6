// Package stationlog writes down every transmission, as a station log is kept:
// as CSV, and in the open log exchange format of amateur radio (ADIF 3.1,
// adif.org). Transmissions are written as they come, so that a log of years needs
// no memory.
//
// A line stands for an ordered slot that was keyed, whole or in part. Times are
// those at which the key went down and up by the keyer's own clock.
//
// In ADIF a log is of contacts, and a beacon has none: its transmissions are
// written as records without CALL, with the mode, the band, the frequency of the
// middle of the signal and the power on air in watts. What ADIF has no field for
// stands in fields of our own, which begin with APP_LAMPLIGHTER_.
package stationlog
