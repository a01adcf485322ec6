package main

import (
	"strings"
	"testing"

	"lamplighter/cmd/lamplighter/demo"
)

func TestAlertsFromTheCommandLine(t *testing.T) {
	server := coordinator(t, demo.Fleet(0))
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"alerts", server, "--all", "--output", "json"}, 0, ""},
		{[]string{"alerts", "ack", server, "4711", "--reason", "on my way"}, 1, "no alert 4711"},
		{[]string{"alerts", "silence", server, "--beacon", "hilltop-vhf", "--for", "6h", "--reason", "mast work"}, 0, "Silence 1 holds until"},
		{[]string{"alerts", "silence", server, "--beacon", "hilltop-vhf", "--for", "337h", "--reason", "mast work"}, 2, "14 days"},
		{[]string{"alerts", "silence", server, "--condition", "keyer_tripped", "--for", "1h", "--reason", "noise"}, 1, "safety"},
		{[]string{"alerts", "silence", server, "--condition", "no_such", "--for", "1h", "--reason", "noise"}, 1, "no such condition"},
		{[]string{"alerts", "silence", server, "--beacon", "nowhere", "--for", "1h", "--reason", "noise"}, 1, "nowhere"},
		{[]string{"alerts", "test", server}, 1, "no such recipient"},
	} {
		if got := lamplighter(t, c.args...); got.code != c.code || !strings.Contains(got.stderr, c.says) {
			t.Errorf("%v: exit %d, said %q", c.args, got.code, got.stderr)
		}
	}
	if got := lamplighter(t, "alerts", "silences", server, "--output", "csv"); !strings.Contains(got.stdout, "1,,,hilltop-vhf,") {
		t.Errorf("silences: %q", got.stdout)
	}
	if got := lamplighter(t, "alerts", "unsilence", server, "1"); got.code != 0 || !strings.Contains(got.stderr, "Silence 1 has ended.") {
		t.Errorf("unsilence: exit %d, said %q", got.code, got.stderr)
	}
}
