//go:build !long

package process_test

import "time"

// How many random moments there are, how many processes are killed at once, and
// how much later than promised a busy machine may be: far less than what is left
// of the transmission.
const (
	moments = 1
	cuts    = 5
	atOnce  = 1
	margin  = 600 * time.Millisecond
)
