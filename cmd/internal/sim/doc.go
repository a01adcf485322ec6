// Package sim lives through a whole fleet on simulated time: the real cores of
// planner, coordinator, agents and keyers, in a world of which it decides
// everything else. One goroutine, no clock, no waiting: one seed is one run, and
// gives the same trace each time.
//
// # What is real and what is a model
//
// Real: coordinator/planner, coordinator/orders with coordinator/lease (what
// package dispatch decides by), proto/seal but for the arithmetic of signatures,
// agent/core, agent/keyer, and at some beacons agent/clock/judge. Models, by what
// the real ones promise: the tables of the database, the broker, the agent's
// outbox, the election of the leader, and the shells that carry out what the cores
// decide. The heartbeats of a quiet beacon are played only when somebody would
// notice (cadence.go).
//
// # Time
//
// The engine runs in true time. Each machine has a boot-time clock, whose
// oscillator runs away, and a wall clock, which may be stepped; the source of
// time says how wrong that is, and no more is known of it inside.
//
// # What goes wrong
//
// faults.go is the list: links, power, disks, processes, clocks, transmitters,
// coordinators, broker and database, people, and an agent that says to its keyer
// what no agent should, or is wrong about the time. Some come in pairs that would
// seldom meet by chance (pairs.go). How often each comes is drawn for each seed.
// Then, in the calm at the end, everything is repaired.
//
// Not played: interlocks and the operator's switch, which are read every 80 ms;
// and a database that is restored from a copy, by which hushes and records are
// lost that the oracle would miss.
//
// # Who judges
//
// The oracle knows what was sealed, and when each carrier really began and
// ended. It shares no decision with the code under test, but for the fleet's
// calendar of pauses and sun. It judges safety (S1 to S14) at each carrier, and
// in the calm that the fleet is back at work (L) and all that was keyed is
// recorded (S14). What no software can end, a jammed line or a machine that is
// suspended, is judged only by the hardware's timer; a keyer that stands still
// besides by when its agent kills it.
//
// # Does it notice?
//
// Two tests answer that. Points that must be reached are listed in reach_test.go.
// And package planted has bugs in the real code: built with the tag "planted",
// each is planted in turn and has to be found (planted_test.go).
package sim
