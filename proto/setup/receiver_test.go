package setup

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestAReceiversConfigurationIsReadAsItWasWritten(t *testing.T) {
	written := &Receiver{
		Network: "tern-valley", Receiver: "club-rx", Callsign: "Q9RX", Broker: "ssl://beacons.example.org:8883",
		Identity: &Identity{Folder: "club-rx.identity", Coordinator: "beacons.example.org:7642"},
	}
	text, err := written.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if !IsReceiver(text) || IsReceiver([]byte("beacon: hilltop-hf")) || IsReceiver([]byte("\x00")) {
		t.Error("a receiver's configuration is not known from a beacon's")
	}
	read, err := DecodeReceiver("club-rx.yaml", text)
	if diff := cmp.Diff(written, read); diff != "" || err != nil {
		t.Errorf("%v %s", err, diff)
	}
}

func TestWrongConfigurationsOfReceivers(t *testing.T) {
	for text, sentence := range map[string]string{
		"network: tern-valley\nreceiver: Club RX\nbroker: ssl://a:1": "receiver:",
		"network: \"\"\nreceiver: club-rx\nbroker: ssl://a:1":        "network:",
		"network: n\nreceiver: r\nbroker: nowhere":                   "no address",
		"network: n\nreceiver: r\nbroker: tcp://elsewhere:1883":      "must be encrypted",
		"network: n\nreceiver: r\nbroker: ssl://a:1\nkey: secret":    "key",
		"network: n\nreceiver: r\nbroker: ssl://a:1\nidentity: {}":   "identity:",
		strings.Repeat("#", MaxBytes+1):                              "at most",
	} {
		if _, err := DecodeReceiver("club-rx.yaml", []byte(text)); err == nil || !strings.Contains(err.Error(), sentence) {
			t.Errorf("%.60q: %v; want %q", text, err, sentence)
		}
	}
}
