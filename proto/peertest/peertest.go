// Package peertest finds the real programs that tests talk to.
//
// On a machine without one of them the test that needs it is skipped, and says
// which package brings it. In the gate (.ci/run, which installs them all and
// sets LAMPLIGHTER_EVERY_PEER) the same test fails: nothing is skipped there.
package peertest

import (
	"os"
	"os/exec"
	"testing"
)

// EveryPeer is the environment variable that makes a missing program a failure.
const EveryPeer = "LAMPLIGHTER_EVERY_PEER"

// peers says which Debian package brings a program.
var peers = map[string]string{
	"chromium":      "chromium",
	"chronyd":       "chrony",
	"glpsol":        "glpk-utils",
	"gpsd":          "gpsd",
	"gpsfake":       "gpsd-clients",
	"mosquitto":     "mosquitto",
	"mosquitto_pub": "mosquitto-clients",
	"pgrep":         "procps",
	"prometheus":    "prometheus",
	"promtool":      "prometheus",
	"strace":        "strace",

	"docker-compose":  "docker-compose",
	"systemd-analyze": "systemd",
}

// Find is the path of a program, also where only root has its folder in PATH.
func Find(t testing.TB, program string) string {
	t.Helper()
	pkg, known := peers[program]
	if !known {
		t.Fatalf("peertest knows no package for %s: add it to the table", program)
	}
	for _, name := range []string{program, "/usr/sbin/" + program} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	if os.Getenv(EveryPeer) != "" {
		t.Fatalf("%s is missing: install Debian's package %s", program, pkg)
	}
	t.Skipf("%s is missing, and this test talks to the real one: install Debian's package %s", program, pkg)
	return ""
}
