//go:build long

package process_test

import "time"

// As in volume_test.go.
const (
	moments = 200
	cuts    = 200
	atOnce  = 2
	margin  = 600 * time.Millisecond
)
