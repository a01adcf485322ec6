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
// anything else that it says. A run on another kernel is a second device and
// gets nothing meanwhile. A run on the same kernel is an agent that was started
// anew, which ended the run before it; so when that one asks again there are
// two devices all the same, and it gets nothing. Its lease is the older one, so
// that soon only one is left. Either refusal is told to people.
//
// # Beacons that are gone
//
// Of a beacon that the fleet no longer has nobody knows any more what it harms:
// what it may still obey blocks its slots for everybody, until it has confirmed
// orders without them or its lease is over.
package lease
