// Package deliver brings messages of alerts to people and programs.
//
// A message and the job of delivering it are stored in the transaction that
// decided on it (Queue.Add), so that there is neither one without the other. The
// leader works the jobs off (Queue.Run). Each attempt is counted before it
// begins, and what came of it afterwards, so that one that was cut off in the
// middle is known as unclear.
//
// An attempt ends in one of four ways (Answer):
//
//   - accepted: the other side has taken the message over. It is done.
//   - refused: the other side said clearly that it never will. The message
//     stands as undelivered, and is not tried again.
//   - later: it was clearly not taken now: nobody answered the door, or asked to
//     come again. It is tried again.
//   - unclear: the other side had the message and did not say what it did with
//     it. It is tried again, with the same identity, so that whoever has it
//     already can tell.
//
// So a repetition only ever follows an unclear answer, and none is lost: after
// a day without success a message stands as undelivered, where people see it.
//
// Who hears stands in the fleet file; how to reach them, with passwords and
// keys, in a file of the coordinator's own that only it can read (Settings).
package deliver
