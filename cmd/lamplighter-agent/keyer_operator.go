package main

import (
	"fmt"
	"time"

	"lamplighter/agent/keyer/process"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
)

// byFlag is who does something at the beacon.
type byFlag struct {
	By string `required:"" placeholder:"NAME" help:"Your name, for the record."`
}

type keyerRearm struct {
	configFlag
	byFlag
	Reason string `required:"" placeholder:"TEXT" help:"What was found and put right, for the record."`
}

// Run clears a trip.
func (k keyerRearm) Run(s streams) error {
	err := k.ask(k.By, &keyerv1.OperatorRequest{Body: &keyerv1.OperatorRequest_Rearm{Rearm: &keyerv1.Rearm{Reason: k.Reason}}})
	if err != nil {
		return fmt.Errorf("not re-armed: %w", err)
	}
	fmt.Fprintln(s.out, "The keyer is armed again.")
	return nil
}

type keyerPresent struct {
	configFlag
	byFlag
	For time.Duration `default:"2h" help:"For how long, at most 2h; then say so again."`
}

// Run says that an operator is present.
func (k keyerPresent) Run(s streams) error {
	if k.For < time.Second {
		return fmt.Errorf("--for %v: it must lie between 1s and 2h", k.For)
	}
	if err := k.ask(k.By, presence(k.For)); err != nil {
		return fmt.Errorf("local control does not start: %w", err)
	}
	fmt.Fprintf(s.out, "%s is present for %v.\n", k.By, k.For)
	return nil
}

type keyerAbsent struct {
	configFlag
	byFlag
}

// Run says that the operator leaves.
func (k keyerAbsent) Run(s streams) error {
	if err := k.ask(k.By, presence(0)); err != nil {
		return err
	}
	fmt.Fprintln(s.out, "Nobody is present: bands under local control are silent.")
	return nil
}

func presence(d time.Duration) *keyerv1.OperatorRequest {
	return &keyerv1.OperatorRequest{Body: &keyerv1.OperatorRequest_Presence{Presence: &keyerv1.Presence{Seconds: uint32(min(d, 24*time.Hour) / time.Second)}}}
}

// ask puts a request to the keyer that is at work.
func (c configFlag) ask(by string, r *keyerv1.OperatorRequest) error {
	file, err := c.read()
	if err != nil {
		return err
	}
	r.By = by
	return process.Ask(file.Folder, r)
}
