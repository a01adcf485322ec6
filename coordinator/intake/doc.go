// Package intake takes what agents say over the broker and puts it into the
// store: records, live health and presence.
//
// The way of a message is the list of steps in steps.go; what passes them waits
// in a bounded queue, in one of two lanes by its beacon. Each lane has a writer,
// which stores whatever is there, up to a bound, in one transaction, live messages
// first: while the disk is busy with the group of one lane, the other's is made.
// After the commit, and never before, the broker is told that the messages are
// dealt with, and each beacon gets a sealed receipt for the records that are
// stored, duplicates and conflicts included; meanwhile the lane's writer goes on.
//
// What is authoritative: the database. The broker's acknowledgement proves
// nothing, and neither does the receipt's being sent: an agent that does not
// hear it sends its records again, and gets another one.
//
// What happens on failures:
//   - The database is away: the group that waits is tried again with growing
//     pauses, nothing is acknowledged, the queue fills, and Handle blocks.
//     Agents keep their records; live messages go stale and are overtaken.
//   - A connection breaks during commit: the group is stored again, and what was
//     committed comes out as duplicates.
//   - The database refuses a group for its content: each message is stored by
//     itself, and the one at fault is logged, counted and given up.
//   - A receipt cannot be published: it is counted; the records are safe.
//   - A message that fails a step is logged, counted and dealt with: it changes
//     nothing. A record without a readable key can't be receipted by key: the
//     others of its batch are stored, and it stays with its agent, which
//     reports its outbox as growing.
//   - A record with a readable key is always stored, also when what it says is
//     of a newer kind, or makes no sense: then nothing is derived from it.
package intake
