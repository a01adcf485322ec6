package sim

import (
	"os"
	"runtime/debug"
	"testing"
)

func TestMain(m *testing.M) {
	debug.SetGCPercent(1600) // a world is small, and makes much that is soon over
	os.Exit(m.Run())
}
