// Package orders decides what agents are told: their envelopes, their orders,
// the answers to their requests for leases, and what they are to keep silent.
//
// A Writer is what one leader decides by: the fleet, the plan in force, and the
// book of what is published and may still be obeyed (package lease). From these
// follow, for each beacon, the next orders. Nothing here is stored or sent:
// package dispatch stores what is decided before it publishes it, and tells the
// Writer when that is done, so that the Writer never knows more than the
// database does.
//
// All messages are made here, and sealed by whoever sends them.
package orders
