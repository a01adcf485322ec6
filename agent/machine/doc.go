// Package machine asks the kernel for what agent and keyer want of it many times
// a second: the boot-time clock, a word when a time has come, and what is in the
// pipe between them.
//
// None of these calls waits, so they are made without telling the runtime, which
// would wake its monitor for each, and that would look several times whether the
// call still lasts. Nothing else wakes so often at a beacon that has nothing to
// do: this is most of what it takes of a small computer.
package machine
