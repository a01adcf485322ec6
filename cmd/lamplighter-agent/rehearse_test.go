package main

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"lamplighter/agent/app/apptest"
	"lamplighter/proto/onair/wspr"
)

// What is rehearsed can be read back: the tones that are shown decode to the
// licence's call sign.
func TestRehearse(t *testing.T) {
	s := apptest.New(t)
	config := written(t, s.File)
	code, out, err := call("rehearse", "--config", config, "--slot-seconds", "2")
	if code != done || !strings.Contains(err, "Nothing is keyed") {
		t.Fatalf("exit %d, said %q and %q", code, out, err)
	}
	rows := regexp.MustCompile(`(?m)^ +\d+ +([0-3]) +(\d+\.\d+) `).FindAllStringSubmatch(out, -1)
	if len(rows) != 162 {
		t.Fatalf("%d tones:\n%s", len(rows), out)
	}
	var symbols [162]byte
	for i, row := range rows {
		symbols[i] = row[1][0] - '0'
		hz, err := strconv.ParseFloat(row[2], 64)
		if err != nil || math.Abs(hz-wspr.ToneHz(7_100_000, symbols[i])) > 1e-4 {
			t.Errorf("symbol %d: %s Hz, %v", i, row[2], err)
		}
	}
	bits, no := wspr.Decode(symbols)
	if no != nil {
		t.Fatal(no)
	}
	m, no := wspr.Unpack(bits)
	if no != nil || m.Callsign != "Q1ABC" || m.Locator != "JO65" || m.PowerDBm != 37 {
		t.Errorf("%v, %v", m, no)
	}
	for _, want := range []string{"Q1ABC JO65 37 dBm on 40m", "162 tones, 1.4648 Hz apart", "The start was"} {
		if !strings.Contains(out, want) {
			t.Errorf("it does not say %q", want)
		}
	}
}

func TestWhatCanNotBeRehearsed(t *testing.T) {
	s := apptest.New(t)
	config := written(t, s.File)
	for _, test := range []struct{ flag, value, want string }{
		{"--band", "2m", `no transmission on the band "2m"; it has: 40m`},
		{"--slot-seconds", "7", "does not divide the day"},
	} {
		if code, out, err := call("rehearse", "--config", config, test.flag, test.value); code != failed || out != "" || !strings.Contains(err, test.want) {
			t.Errorf("exit %d, said %q and %q", code, out, err)
		}
	}
}
