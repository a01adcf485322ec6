//go:build !planted

package planted

// Is says that no bug is planted: it is a constant to the compiler, which leaves
// out whatever stands behind it.
func Is(string) bool { return false }
