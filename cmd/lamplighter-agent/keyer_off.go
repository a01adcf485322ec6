package main

import (
	"fmt"

	"lamplighter/agent/keyer/process"
	"lamplighter/agent/transmitter"
)

type keyerOff struct {
	configFlag
}

// Run silences the transmitter. It exits with 0 only when it is off.
func (k keyerOff) Run(s streams) error {
	file, err := k.read()
	if err != nil {
		return fmt.Errorf("nobody knows whether the transmitter is off, so cut its power: %w", err)
	}
	ended, err := process.Off(file.Folder, func() error { return transmitter.Off(file.Transmitter) })
	if err != nil {
		return fmt.Errorf("the transmitter may still be keyed, so cut its power: %w", err)
	}
	if ended != 0 {
		fmt.Fprintf(s.out, "A keyer (process %d) was at work and was ended. An agent that runs starts another at once: stop the agent, or hush the beacon, to keep it silent.\n", ended)
	}
	if file.Transmitter.Driver == "simulated" {
		fmt.Fprintln(s.out, "The transmitter is simulated: there was nothing to silence.")
		return nil
	}
	fmt.Fprintln(s.out, "The transmitter is off.")
	return nil
}

type keyerStandby struct {
	configFlag
}

// Run waits for the keyer's end and silences the transmitter.
func (k keyerStandby) Run(streams) error {
	file, err := k.read()
	if err != nil {
		return fmt.Errorf("nobody stands by for the keyer's end: %w", err)
	}
	if err := process.Standby(file.Folder, func() error { return transmitter.Off(file.Transmitter) }); err != nil {
		return fmt.Errorf("the transmitter may still be keyed, so cut its power: %w", err)
	}
	return nil
}
