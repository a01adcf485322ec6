package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"lamplighter/agent/app"
	"lamplighter/agent/keyer/process"
	"lamplighter/proto/service"
)

type runCommand struct {
	configFlag
}

// Run runs an agent, and its keyer as a process of its own, until it is told to
// end. An agent whose outbox could not be opened is replaced once it can be.
func (r runCommand) Run(s streams) error {
	file, err := r.read()
	if err != nil {
		return err
	}
	exe, err := os.Executable()
	if err != nil {
		return fmt.Errorf("this program's own file, which is the keyer's too, can't be found: %w", err)
	}
	ctx, cancel := signal.NotifyContext(context.Background(), syscall.SIGTERM, syscall.SIGINT)
	defer cancel()
	log := slog.New(slog.NewTextHandler(s.err, nil))
	options := app.Options{
		File: file, Version: version(), Log: log, Service: service.FromEnvironment(log),
		StartKeyer: func(ctx context.Context) (app.Keyer, error) {
			return process.Start(ctx, exe, process.Commands{
				Run:     []string{"keyer", "run", "--config", r.Config},
				Standby: []string{"keyer", "standby", "--config", r.Config},
				Off:     []string{"keyer", "off", "--config", r.Config},
			})
		},
	}
	for ctx.Err() == nil {
		if err := runOnce(ctx, options); err != nil {
			return err
		}
	}
	return nil
}

func runOnce(ctx context.Context, options app.Options) error {
	agent, err := app.New(options)
	if err != nil {
		return err
	}
	if err := agent.Start(); err != nil {
		return err
	}
	defer agent.Stop()
	select {
	case <-ctx.Done():
	case <-agent.Repaired():
		options.Log.Info("the outbox can be opened again; the agent starts anew")
	}
	return nil
}
