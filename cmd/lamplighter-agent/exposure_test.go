package main

import (
	"strings"
	"testing"

	"lamplighter/agent/app/apptest"
)

// 37 dBm are 5.01 W; to 2.15 dBi they radiate 8.22 W. On 7.2 MHz 180/7.2² mW/cm²
// are 34.72 W/m², and five times that for those who know: √(2.56 · 8.22 / (4π ·
// 34.72)) = 0.22 m, and 0.1 m.
func TestExposure(t *testing.T) {
	config := written(t, apptest.New(t).File)
	code, out, said := call("exposure", "--config", config, "--gain-dbi", "2.15")
	if code != 0 || !strings.Contains(out, "40m        5.01            0.2            0.1\n") {
		t.Errorf("exit %d, said %s and\n%s", code, said, out)
	}
	if code, _, said := call("exposure", "--config", config, "--gain-dbi", "99"); code != 1 || !strings.Contains(said, "gain of 99 dBi") {
		t.Errorf("exit %d, said %s", code, said)
	}
}
