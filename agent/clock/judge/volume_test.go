//go:build !long

package judge

// days is how many days of each kind are simulated.
const days = 8
