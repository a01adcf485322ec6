package main

import (
	"fmt"
	"io"
	"os"

	"lamplighter/proto/setup"
)

// configFlag is the configuration file that most commands need.
type configFlag struct {
	Config string `required:"" type:"path" placeholder:"FILE" help:"The agent's configuration, as the coordinator wrote it."`
}

func (c configFlag) read() (*setup.File, error) {
	file, err := os.Open(c.Config)
	if err != nil {
		return nil, fmt.Errorf("the configuration can't be read: %w", err)
	}
	defer func() { _ = file.Close() }() // nothing was written
	text, err := io.ReadAll(io.LimitReader(file, setup.MaxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("the configuration can't be read: %w", err)
	}
	return setup.Decode(c.Config, text)
}
