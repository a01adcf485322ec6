// Package store is the only place with SQL: a file per noun, each statement
// beside the function that runs it, each run by a test against a real Postgres.
//
// What is authoritative: the database, and its clock. Whatever is decided about
// leases, leadership or "last seen" uses the time of the transaction (Tx.Now),
// never a clock of this machine or of a beacon. A transaction has one such time.
//
// A record is stored exactly once by (beacon, boot, seq). The row of its run in
// boots is locked first and holds the set of stored seqs; that, and not a
// unique index, guards the key, since a partitioned table can only be unique
// together with its day. Everything derived from a record (outcomes, totals,
// gaps) is written in the transaction that stores it.
//
// When a transaction fails because another one was in the way, InTx runs it
// again a few times; any other failure is the caller's. When a connection is
// lost during commit nobody knows whether it happened: callers repeat what
// they did, and all writes here bear repeating.
package store
