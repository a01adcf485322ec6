package main

import (
	"encoding/json"
	"strings"
	"testing"

	"lamplighter/agent/app/apptest"
	"lamplighter/agent/doctor"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

func TestDoctor(t *testing.T) {
	s := apptest.New(t)
	config := written(t, s.File)
	code, out, _ := call("doctor", "--config", config)
	if code != 0 || !strings.Contains(out, "The agent is not running.") || !strings.Contains(out, "What to do: Start it") {
		t.Errorf("without an agent: exit %d and\n%s", code, out)
	}

	start(t, config)
	apptest.Await(t, "word of the agent", s.Health, func(h *wirev1.Health) bool { return h.GetMuteReason() == "no_orders" })
	code, out, said := call("doctor", "--config", config)
	if code != 1 || !strings.Contains(out, "silent (no_orders)") || !strings.Contains(said, "something is wrong") {
		t.Errorf("without orders: exit %d, said %s and\n%s", code, said, out)
	}

	s.Order(1)
	apptest.Await(t, "a beacon that would transmit", s.Health, func(h *wirev1.Health) bool { return h.GetMuteReason() == "" })
	code, out, said = call("doctor", "--config", config, "--output", "json")
	var found []doctor.Finding
	if err := json.Unmarshal([]byte(out), &found); err != nil {
		t.Fatal(err)
	}
	subjects := map[string]doctor.Verdict{}
	for _, f := range found {
		subjects[f.Subject] = f.Verdict
	}
	for _, subject := range []string{"disk", "clock", "frequency", "agent", "lease"} {
		if subjects[subject] != doctor.Well {
			t.Errorf("%s is %q, and all is well", subject, subjects[subject])
		}
	}
	if code != 0 || len(subjects) != 10 {
		t.Errorf("exit %d, said %s: %v", code, said, subjects)
	}

	s.File.Broker = "tcp://127.0.0.1:1" // where nobody listens
	if code, out, _ := call("doctor", "--config", written(t, s.File)); code != 1 || !strings.Contains(out, "The broker at") {
		t.Errorf("without a broker: exit %d and\n%s", code, out)
	}
}

func TestDoctorOfAWrongConfiguration(t *testing.T) {
	s := apptest.New(t)
	s.File.Clock.Source = "sundial"
	if code, _, said := call("doctor", "--config", written(t, s.File)); code != 1 || !strings.Contains(said, "sundial") {
		t.Errorf("exit %d, said %s", code, said)
	}
}
