// Package planted lets tests show that they would notice. At the places where a
// promise is kept stands a line that breaks it:
//
//	if planted.Is("S2 lease without end") {
//		return nil
//	}
//
// In every program that is built without the tag "planted" Is is false for good,
// and the compiler leaves the line out. With the tag a test chooses one bug by
// its name (Choose), and the simulation has to find it (cmd/internal/sim). The
// name begins with the promise that the bug breaks.
//
// A reader of the code may skip these lines. Whoever writes one gives it a seed
// that finds it, in cmd/internal/sim/planted_test.go.
package planted
