// Package dispatch turns the plan into orders and leases, and people's word
// into hushes. Only the leading coordinator dispatches; hushes are given and ended
// by any, in the leader's epoch, and the leader shows them again within 5 s.
//
// # The road of orders
//
// When the fleet changes, each hour, and when a beacon confirms orders that
// others wait for, a plan is made for the day ahead, on a goroutine of its own
// so that nothing else waits for it. From the plan, package lease lets through
// what no other beacon may still obey; that becomes each beacon's orders,
// numbered, stored, and then published retained. What is held back is published
// when the beacon in the way confirms that it has orders without the slot, or
// when its lease has run out.
//
// # What is authoritative
//
// The database: orders, leases and hushes are stored before they are sent, in
// one transaction that holds the leader's row (package lead), so that a leader
// who was deposed stores nothing and sends nothing. The lease book in memory is
// loaded from it when this coordinator takes the lead and follows what it
// stores. All times are the database's.
//
// # On each failure
//
// The broker is away: everything is stored, and all of it is published again at
// the next connect. A coordinator that hung while it led wakes and speaks last:
// the leader hears it, and has the broker keep the latest again within 5 s. The
// database is away: no orders and no leases; the agents fall silent as their
// leases run out. A hush goes out ahead of it. The planner fails or finds no
// plan: the orders in force run to their end.
//
// A hush is its own road: it waits neither for the planner nor for orders. Each
// beacon has one whole hush state, numbered by (epoch, number) that only grows;
// a new leader leaves it as it is, so that a database restored from a backup
// can't end a hush which it has forgotten: an agent takes less silence only
// from a higher number, and that number only a person's word makes.
//
// More silence it takes from the same number too. So where the database does not
// answer, a hush goes out under the number that the beacon's state has, and is
// stored as soon as it does, before any other is given or released (ahead.go).
// Only the process that gave it knows of it until then.
package dispatch
