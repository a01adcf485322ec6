// Package fleetload plays the agents of a whole network over real MQTT, so that
// a coordinator can be measured at a nation's size on one small machine.
//
// A Crowd is up to as many agents as this process may have open files. Each
// has a connection of its own and says what a real agent says, when a real one
// says it: presence and a will, a live health message and a health record every
// half a minute, a request for a lease as often as the kinds of control in its
// orders ask for, word at once of new orders and of a hush, records again until
// a receipt covers them. What comes down is opened with the coordinator's key,
// and what does not count is told to nobody. A connection that is lost is made
// again after a wait drawn from the whole of min(60 s, 1 s · 2ⁿ).
//
// What is lean about them: no transmitter, no clock but this process's own, no
// disk. Of its orders an agent keeps the number and the strictest kind of
// control. It confirms a hush as if its keyer were silent at once.
//
// The coordinator runs in a process of its own; the tests here start the real
// program, and read in /proc what it and its database take.
package fleetload
