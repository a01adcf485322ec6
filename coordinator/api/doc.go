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
// The interceptors, from the outside: counting, logging, translation, recovery.
//
// Until there are accounts whoever reaches the listener may do everything,
// which is why it is on loopback.
package api
