// Package chrony hears the time daemon of that name, by its own monitoring
// protocol (chronyc(1), 4.3): once a second it asks for the daemon's reference
// and its sources.
//
// The wall clock is taken as it is, and may be wrong by the daemon's own offset
// and the root distance of RFC 5905: half the root delay, the root dispersion,
// and what may have gathered since the reference was last heard.
//
// Two sources that the daemon has found to agree are two witnesses. A daemon
// whose reference is its own clock ("local"), or whose stratum is 10 or more, by
// which such clocks are told further on, has no reference that counts here. Nor,
// where a receiver is listened to as well, has one that follows a reference
// clock: that is the same receiver over again.
package chrony
