// Package lease decides how long a beacon may go on obeying its orders, and
// which slots may be given out while others may still be obeyed elsewhere.
//
// # What is known
//
// A Book holds, for each beacon, the orders that were published to it, which of
// them it last said to hold on disk, and the latest end of any lease that it
// was ever granted. From these follows what it may still obey, reachable or
// not: every transmission of the orders that it holds and of every later one,
// that starts before the end of the lease. A confirmed number ends all earlier
// orders, since an agent never goes back; should one do so all the same, because
// its disk was restored, it says so in its next request and its old orders count
// again.
//
// # Two doors
//
// Two beacons must never both be able to obey transmissions that harm each
// other (rules 2, 3, 4 and 7 of the planning rules). A transmission becomes able
// to be obeyed in two ways, and each has a door:
//
//   - It is published (Release): held back while another beacon may still obey
//     something that it would harm. So a slot changes hands in two steps: first
//     its old owner gets orders without it, and when that owner has confirmed
//     them, or its lease is over, the new owner gets orders with it.
//   - A lease is extended (Decide): it ends before the first transmission that
//     the beacon may hold and that would harm what another may obey. This is
//     what makes it safe that a slot changed hands because a lease was over:
//     its old owner, when it comes back, gets no lease that reaches the slot
//     before it has confirmed orders without it.
//
// Whoever is asked about by both doors must be asked one at a time: Book is not
// safe for several goroutines. Times are the database's. A beacon counts its
// lease from before it asked, on a clock of its own: Skew is what that clock may
// stray while the longest lease runs, and then some.
//
// # One identity, one device
//
// A run holds its beacon's identity while it is heard: by its requests, or by
// anything else that it says. Whoever else asks meanwhile gets nothing, unless
// it runs on the same kernel: that is an agent which was started anew.
//
// A run on another kernel may be the same device after a power cut, or a second
// one. It waits in either case. Which of them it is shows by who speaks next: a
// device that was started anew never speaks as its former run again. So people
// are told as soon as the first kernel speaks after the second has, and at once
// when a run comes back that another one has followed; a device that merely
// starts anew alarms nobody, and has its lease a minute after its former run
// was heard last. Where both are connected they take the broker's session from
// one another, and an agent asks for a lease whenever it has connected: within a
// second or two both have spoken.
//
// Whichever it was: what the second says to hold, it says of itself. The lease of
// the first runs on where nobody can reach it, and until it is over what the
// first may still obey stands beside what the second may. When the first speaks
// again, that is more than either of them holds: who is barred by it from what
// stands in its own orders needs another plan.
//
// # Beacons that are gone
//
// Of a beacon that the fleet no longer has nobody knows any more what it harms:
// what it may still obey blocks its slots for everybody, until it has confirmed
// orders without them or its lease is over.
package lease
