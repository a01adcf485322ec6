// Package alert decides what is wrong, and who is to hear of it.
//
// # Three steps
//
// Look turns what the coordinator knows at a moment (an Observation) into
// findings: which of the declared conditions is true of what, in a sentence with
// the figures. It remembers nothing.
//
// Memory.Step gives findings their course in time. A condition that is true
// makes an alert, pending at first; true for the condition's Raise it is raised,
// false for its Clear it is cleared; somebody may acknowledge it in between. One
// that begins five times within an hour is unsteady until it has kept still for
// half an hour.
//
// Memory.Tell gives the messages that are due, to each recipient by itself: who
// has heard of an alert hears once when it is over, and nobody hears more than
// twice an hour of the same one. What another open alert explains is not told
// (see Condition.HiddenBy), nor for a while after that one is over, since a site
// that comes back does so piece by piece. What a silence covers is not told;
// safety alerts are, always.
//
// # What is authoritative
//
// All times are the database's. A Memory is nothing but its alerts, each of
// which is stored whole whenever it changed, together with the messages that
// were decided on, in one transaction of the leader. So a restart forgets
// nothing and repeats nothing: a message that is stored is somebody's to
// deliver, and one that is not was never decided on.
//
// # Unknown
//
// What a beacon does not say is not wrong. A beacon that was never heard has no
// alerts, and one that is not heard has but that one: its last words are old.
package alert
