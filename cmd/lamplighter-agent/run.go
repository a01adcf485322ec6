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
)

type runCommand struct {
	configFlag
}

// Run runs an agent, and its keyer as a process of its own.
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
	agent, err := app.New(app.Options{
		File: file, Version: version(), Log: slog.New(slog.NewTextHandler(s.err, nil)),
		StartKeyer: func(ctx context.Context) (app.Keyer, error) {
			return process.Start(ctx, exe, []string{"keyer", "--config", r.Config})
		},
	})
	if err != nil {
		return err
	}
	if err := agent.Start(); err != nil {
		return err
	}
	<-ctx.Done()
	agent.Stop()
	return nil
}
