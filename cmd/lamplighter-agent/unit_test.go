package main

import (
	"bufio"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"lamplighter/proto/peertest"
)

const unit = "../../deploy/systemd/lamplighter-agent.service"

// The sandbox of the service unit, as systemd itself judges it: 0 is tight, 10
// is open, and 2.5 is the most that we promise.
func TestTheUnitIsASandbox(t *testing.T) {
	said, err := exec.Command(peertest.Find(t, "systemd-analyze"), "security", "--offline=true", "--no-pager", unit).CombinedOutput()
	found := regexp.MustCompile(`Overall exposure level for \S+: ([0-9.]+)`).FindSubmatch(said)
	if found == nil {
		t.Fatalf("%v: %s", err, said)
	}
	level, err := strconv.ParseFloat(string(found[1]), 64)
	if err != nil || level > 2.5 {
		t.Errorf("exposure %s, and at most 2.5 is promised", found[1])
	}
}

// What the unit calls is what this program has, and what it must not forbid.
func TestTheUnitCallsThisProgram(t *testing.T) {
	file, err := os.Open(unit)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	calls := map[string][]string{}
	for lines := bufio.NewScanner(file); lines.Scan(); {
		key, value, _ := strings.Cut(lines.Text(), "=")
		calls[key] = append(calls[key], value)
	}
	for _, key := range []string{"ExecStart", "ExecStopPost"} {
		if len(calls[key]) != 1 {
			t.Fatalf("%s is there %d times", key, len(calls[key]))
		}
		words := strings.Fields(calls[key][0])
		if code, _, said := call(append(words[1:], "--help")...); code != done {
			t.Errorf("%s=%s: %s", key, calls[key][0], said)
		}
	}
	// A boot id that can't be read would end every lease, and a kernel clock that
	// can't be read is none.
	for _, key := range []string{"ProcSubset", "ProtectClock"} {
		if calls[key] != nil {
			t.Errorf("%s keeps the agent from what it needs", key)
		}
	}
	if calls["WatchdogSec"] == nil || calls["Type"][0] != "notify" {
		t.Error("an agent that hangs is not noticed")
	}
}
