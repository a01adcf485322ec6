// Package api serves lamplighter.api.v1 over gRPC: what the command line and
// the console do goes through here and nowhere else.
//
// A service checks what it was sent, asks the store or dispatch, and puts the
// answer into a message. It holds no state, runs no SQL and decides nothing.
// Each field of a request has a bound, checked before anything else is done.
//
// Errors are faults (package fault) on their way here. One interceptor turns
// them into a status with a code, a sentence and the field at fault; what has
// no kind goes into the log, and a stranger reads only that something broke.
// The interceptors, from the outside: counting, logging, translation, recovery,
// the gate.
//
// The gate finds out who calls (a token, or what a caller in this process has put
// into the context), looks at the one table of who may call what (rules.go), and
// writes into the trail what is asked before it is done and what came of it. A
// method without a rule is refused to everybody. When the trail can't be written
// nothing is changed; only an order to be silent does not wait for it, and goes
// by who was let in lately where the database does not say in half a second who
// asks.
package api
