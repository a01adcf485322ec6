package main

import (
	"context"
	"os/signal"
	"syscall"

	"lamplighter/agent/keyer/process"
)

type keyerCommand struct {
	configFlag
}

// Run keys for the agent at the other end of standard input and output.
func (k keyerCommand) Run(s streams) error {
	file, err := k.read()
	if err != nil {
		return err
	}
	options, err := process.FromSetup(file)
	if err != nil {
		return err
	}
	options.In, options.Out = s.in, s.out
	ctx, cancel := signal.NotifyContext(context.Background(), syscall.SIGTERM, syscall.SIGINT)
	defer cancel()
	return process.Run(ctx, options)
}
