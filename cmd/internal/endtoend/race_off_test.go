//go:build !race

package endtoend

var raceFlags []string
