//go:build race

package endtoend

// With the race detector on, the programs are built with it too.
var raceFlags = []string{"-race"}
