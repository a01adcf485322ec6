// Package endtoend tests the real programs together: the coordinator's and the
// agents' own binaries as processes of their own, a real broker, a real
// Postgres. Only the transmitters are simulated; each writes down exactly what
// it would have sent and when, and that log is what the tests believe.
//
// Slots are shortened (slot_seconds in the fleet file), which a keyer accepts
// for simulated transmitters only; everything within a slot shrinks alike.
package endtoend
