//go:build long

package endtoend

// backSeconds is how long lock must be back where a fleet file says nothing.
const backSeconds = 300
