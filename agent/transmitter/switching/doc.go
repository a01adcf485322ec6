// Package switching puts relays and an amplifier's enable line around a
// transmitter, in the order that package sequence gives.
//
// The relays move when a transmission is prepared, some time before its start,
// so that they have settled at key-down. For a transmission that was not
// prepared, key-down may wait for them a few milliseconds, and no longer.
//
// What is not as it was set latches: nothing is keyed any more until an
// operator re-arms and everything is found to be off; and the keyer trips on it,
// which outlasts its process. It is looked
// for before key-down and at every tone.
//
// It was tried with lines in memory, and not yet on hardware.
package switching
