// Package keyer decides whether the key goes down: the last word before the
// antenna, and the one that trusts nobody.
//
// A keyer holds four signed things, each as the exact bytes that came: the
// envelope (what the licence allows), the orders (what is to be sent), the hush
// state (what is to be silent), and the lease (until when the orders may be
// obeyed). It verifies each itself; the agent only passes them on. Each counts
// when it is on disk and no sooner, but for silence: a hush and a trip count at
// once, and a release only when it is on disk.
//
// A transmission needs all of it: a permit from the agent for one slot; orders
// that list it; a message that can be sent, with the full call sign or soon
// after it; no hush; an envelope that allows it; a lease of its kind of control
// until 5 s after its end; a heartbeat, whose clock is known to half a second
// and whose frequency is known to what the plan allowed for. The steps stand in
// permit.go in the order in which they are asked, once when the permit comes
// and again just before key-down. While the key is down, what can end is asked
// at every step. A slot that can't be sent on time is not sent.
//
// Three clocks: lease, heartbeat and the length of a key-down are measured on
// the boot-time clock, which nobody can set. Slots are found by the wall clock
// with the correction that the heartbeat gives. A wall clock that jumps against
// the boot-time clock is not believed for a second, and ends what is on the
// air. The agent's word on time can make the keyer silent or, at worst, let it
// transmit one ordered slot at the wrong time; never outside orders and lease.
//
// A keyer that finds something impossible keys up and trips. A trip is latched
// on disk until an operator re-arms; what the disk does not take, the machine's
// memory keeps while it has power. A state that can't be read is a trip too,
// for it may have held one, and it hushes everything until the coordinator has
// said anew what is hushed. A lease is bound to the kernel's boot: a keyer that
// is restarted goes on with it, a reboot ends it.
//
// The package is pure: events and both clocks go in, actions come out. Every
// refusal is a Reason. Package process is the shell.
//
// To whoever writes an agent: send a permit some seconds before its slot, not
// minutes, because a remote lease must reach to its end already then. One
// permit waits at a time; the next may come while one is on the air.
package keyer
