// Package judge decides from what the sources of time say what time it is, how
// wrong that may be, or why it is not known.
//
// Two kinds of witness speak. A receiver says in sentences which second it is,
// and its pulse says when a second begins. The machine's time daemon, or the
// kernel for it, says how far the wall clock is off. A third is the judge's own
// clock: what was found to be true earlier, carried on by the holdover model.
//
// Every statement becomes an interval on the kernel's raw clock, which is
// neither stepped nor slewed: the true time at the raw clock's zero, give or
// take a bound. The wall clock is used only to find out when a pulse came, and
// from its steps nothing follows but that statements of before are void.
//
// The whole second takes two witnesses, of which none is part of the other: the
// sentences and the pulse of one receiver are one. A daemon that compares two
// servers or more counts as two. Where live witnesses contradict each other,
// the own clock says which of them is right; if it can't, it goes on by itself,
// and if there is none, the time is not known.
//
// The fraction of the second rests on the pulse. A daemon good to 50 ms watches
// that too: then the bound spans what both of them say. Without such a daemon a
// pulse that is displaced from the very first on, or that creeps away more
// slowly than the own clock's bound grows, is not found out: no witness here
// could know. Pulses that jump or are irregular always are.
//
// What falls silent for five seconds is not heard any more. After a suspend,
// and at the end of June or December if nobody said whether a second is
// inserted, the own clock is forgotten: mute until two witnesses agree again.
package judge
