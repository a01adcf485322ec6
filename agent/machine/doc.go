// Package machine asks the kernel for what agent and keyer want of it many times
// a second: the boot-time clock, and a word when a time has come.
//
// None of these calls can wait, so they are made without telling the runtime,
// which would wake its monitor for each, and that would look several times
// whether the call still lasts. At a beacon that has nothing to do, nothing else
// wakes so often.
package machine
