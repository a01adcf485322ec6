//go:build long

package planner

import "testing"

// TestNobodyCanBeRaisedAtVolume is the same for 1,000 fleets of each kind.
func TestNobodyCanBeRaisedAtVolume(t *testing.T) { mustBeLevel(t, 1000) }
