// Package core decides everything that an agent decides. It is a function of
// what happened and when: Step takes an Event and an Instant and returns the
// Actions that the shell is to carry out. It reads no clock, opens nothing and
// starts nothing, so that years of a beacon's life run in seconds.
//
// What is authoritative:
//
//   - The keyer alone keys, and checks everything again. What is refused here is
//     refused early, so that the reason is told well, and never less strictly.
//   - The disk says what happened. A slot that is to be used is first written
//     down as an Intent; only when the shell reports the commit as durable is the
//     Permit sent. Intent, outcome, and the last slot accounted for travel in one
//     commit, so that a kill at any moment leaves either an open intent, which
//     the next run closes as aborted, or an outcome, never both and never none.
//   - Sealed orders and hushes are kept as the exact bytes that came, and are
//     presented to the keyer again whenever it seems not to have them.
//
// Which clock is trusted for what: leases, timeouts and ages run on the
// boot-time clock. Slots are found by the wall clock corrected by the latest
// clock reading. A reading is void when it is older than five seconds, when the
// wall clock was stepped since, or when it leads to a date before the program
// was built; a void reading is an unknown error bound, and that is mute.
//
// New orders change hands in a fixed order: the seal is checked, the keyer is
// asked and must accept, the slots that began under the old orders are
// accounted for, and the new ones are written. Orders that arrive between the
// decision on a slot and its start wait for the start. Slots of the old orders
// that had not begun are withdrawn and leave no outcome.
//
// Failures: no room on the disk skips slots, and keeps their outcomes in memory
// until they can be written. A keyer that is gone skips or aborts. A link that
// is down changes nothing but that nothing is sent; leases run out by
// themselves. Every refusal has a Reason.
package core
