package main

import (
	"strings"
	"testing"

	"lamplighter/agent/app/apptest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/setup"
)

func TestKeyerOff(t *testing.T) {
	for _, test := range []struct {
		name     string
		settings setup.Transmitter
		code     int
		out, err string
	}{
		{"nothing real", setup.Transmitter{Driver: "simulated"}, done, "there was nothing to silence", ""},
		// Answers off to hello and to off; the checksums are Python's binascii.crc_hqx.
		{"a program that says that it is off", setup.Transmitter{
			Driver: "command", Command: []string{"/bin/sh", "-c", `read a; echo "1 off*9A4B"; read a; echo "2 off*7499"`},
		}, done, "The transmitter is off.", ""},
		{"a port that is gone", setup.Transmitter{Driver: "serial", Port: "/dev/no-such-line"}, failed, "", "may still be keyed, so cut its power: keyer at /dev/no-such-line"},
	} {
		t.Run(test.name, func(t *testing.T) {
			s := apptest.New(t)
			s.File.Transmitter = test.settings
			code, out, err := call("keyer", "off", "--config", written(t, s.File))
			if code != test.code || !strings.Contains(out, test.out) || !strings.Contains(err, test.err) {
				t.Errorf("exit %d, said %q and %q", code, out, err)
			}
		})
	}
}

func TestAnOperatorSpeaksToARunningProgram(t *testing.T) {
	s := apptest.New(t)
	config := written(t, s.File)
	by := []string{"--config", config, "--by", "warden"}
	if code, _, err := call(append([]string{"keyer", "present"}, by...)...); code != failed || !strings.Contains(err, "start the agent first") {
		t.Errorf("nobody is there: exit %d, %s", code, err)
	}
	start(t, config)
	apptest.Await(t, "its keyer", s.Health, func(h *wirev1.Health) bool { return h.GetLeaseUntilUnixMs() != 0 })
	for _, say := range []struct {
		args     []string
		code     int
		out, err string
	}{
		{[]string{"present", "--for", "30m"}, done, "warden is present for 30m0s", ""},
		{[]string{"present", "--for", "3h"}, failed, "", "out_of_bounds"},
		{[]string{"present", "--for", "0s"}, failed, "", "between 1s and 2h"},
		{[]string{"absent"}, done, "Nobody is present", ""},
		{[]string{"rearm", "--reason", "looked"}, failed, "", "not_tripped"},
	} {
		code, out, err := call(append(append([]string{"keyer"}, say.args...), by...)...)
		if code != say.code || !strings.Contains(out, say.out) || !strings.Contains(err, say.err) {
			t.Errorf("%v: exit %d, said %q and %q", say.args, code, out, err)
		}
	}
	for _, want := range []string{"operator_present", "operator_absent"} {
		apptest.Await(t, want, s.Records, func(r *wirev1.Record) bool { return r.GetEvent().GetWhat() == want })
	}
}
