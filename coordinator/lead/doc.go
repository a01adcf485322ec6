// Package lead decides which of several coordinators leads: the one whose
// session holds an advisory lock in Postgres, on a connection of its own.
//
// The lock says who may begin; it does not say that nobody else still believes
// to lead. Two things do. The connection is listened to all the time, and at
// the first error, or when the session is found not to hold the lock, the
// context that the leader works in is cancelled. And each lead has an epoch, a
// number that only grows, in the row that every write of a leader locks and
// compares (store.AsLeader): what a deposed leader writes affects zero rows.
//
// A coordinator that hangs holds its connection, and says nothing. The server
// ends a session that asked nothing for a quarter of a minute (store.Election),
// and with it the lead.
//
// The epoch is the greater of the stored one plus 1 and the seconds of the
// database's Unix time, so that a database restored from a backup still
// outranks its past.
package lead
