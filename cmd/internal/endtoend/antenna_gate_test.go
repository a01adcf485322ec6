//go:build !long

package endtoend

// backSeconds is how long lock must be back in the gate, as its fleet file says.
const backSeconds = 10
