package process_test

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"lamplighter/agent/keyer/process"
	"lamplighter/proto/setup"
)

func TestOptionsComeFromTheAgentsConfiguration(t *testing.T) {
	key := signer().Public()
	file := &setup.File{
		Network: network, Beacon: beacon, Folder: t.TempDir(),
		Transmitter:    setup.Transmitter{Driver: "simulated"},
		CoordinatorKey: setup.CoordinatorKey{ID: key.ID(), Public: key.String()},
	}
	o, err := process.FromSetup(file)
	if err != nil {
		t.Fatal(err)
	}
	if o.Network != network || o.Beacon != beacon || o.Dir != file.Folder || !o.SimulatedTransmitter {
		t.Errorf("%+v", o)
	}
	// With nothing to read, it ends at once and in good order.
	o.In, o.Out = &bytes.Buffer{}, io.Discard
	if err := process.Run(t.Context(), o); err != nil {
		t.Error(err)
	}

	file.Transmitter.Driver = "magic"
	if _, err := process.FromSetup(file); err == nil || !strings.Contains(err.Error(), "magic") {
		t.Errorf("%v", err)
	}
	file.CoordinatorKey.ID = "other"
	if _, err := process.FromSetup(file); err == nil || !strings.Contains(err.Error(), "coordinator_key") {
		t.Errorf("%v", err)
	}
}
