//go:build planted

package planted

var chosen string

// Choose plants one bug for all that follows, the empty name none. It is for
// tests, and not for use while anything runs beside.
func Choose(bug string) { chosen = bug }

// Is says whether a bug is planted.
func Is(bug string) bool { return bug != "" && bug == chosen }
