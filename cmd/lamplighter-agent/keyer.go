package main

import (
	"context"
	"os/signal"
	"syscall"

	"lamplighter/agent/keyer/process"
)

// keyerCommands are for the process that keys, and for people beside it.
type keyerCommands struct {
	Run     keyerRun     `cmd:"" hidden:"" help:"Key the transmitter for an agent at the other end of standard input and output. Started by run."`
	Standby keyerStandby `cmd:"" hidden:"" help:"Silence the transmitter as soon as its keyer is gone. Started by run."`
	Off     keyerOff     `cmd:"" help:"Silence the transmitter, whatever state its keyer is in, and end the keyer."`
	Rearm   keyerRearm   `cmd:"" help:"Let a keyer that has tripped key again, once its cause is gone."`
	Present keyerPresent `cmd:"" help:"Say that an operator is at the beacon, as local control needs."`
	Absent  keyerAbsent  `cmd:"" help:"Say that the operator leaves."`
}

type keyerRun struct {
	configFlag
}

// Run keys for the agent at the other end of standard input and output.
func (k keyerRun) Run(s streams) error {
	file, err := k.read()
	if err != nil {
		return err
	}
	options, err := process.FromSetup(file)
	if err != nil {
		return err
	}
	options.In, options.Out, options.Errors = s.in, s.out, s.err
	ctx, cancel := signal.NotifyContext(context.Background(), syscall.SIGTERM, syscall.SIGINT)
	defer cancel()
	return process.Run(ctx, options)
}
