package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"

	"lamplighter/agent/enrol"
	"lamplighter/proto/enrolment"
	"lamplighter/proto/setup"
)

type enrolCommand struct {
	Token       string `arg:"" optional:"" help:"What lamplighter enrol printed. Better leave it out: then it is asked for, and stands in no list of processes."`
	Coordinator string `required:"" placeholder:"HOST:PORT" help:"Where the coordinator enrols devices."`
	Config      string `required:"" type:"path" placeholder:"FILE" help:"The configuration to write; it must not be there yet."`
	Folder      string `type:"path" placeholder:"DIR" help:"The folder to make for key and certificate; without it one beside the configuration."`
}

// Help is shown by --help.
func (enrolCommand) Help() string {
	return `Makes this device's key, has the coordinator certify it, and writes the configuration that the coordinator gives. The key never leaves this device.

Example:

    lamplighter-agent enrol --coordinator beacons.example.org:443 --config hilltop-hf.yaml`
}

// Run enrols this device.
func (c enrolCommand) Run(s streams) error {
	if _, err := os.Lstat(c.Config); err == nil {
		return fmt.Errorf("%s is there already: name another file, or move it away", c.Config)
	}
	if c.Folder == "" {
		c.Folder = c.Config + ".identity"
	}
	token, err := c.token(s)
	if err != nil {
		return err
	}
	ctx, cancel := signal.NotifyContext(context.Background(), syscall.SIGTERM, syscall.SIGINT)
	defer cancel()
	text, err := enrol.At(c.Folder).Enrol(ctx, c.Coordinator, token)
	if err != nil {
		return err
	}
	if setup.IsReceiver([]byte(text)) {
		return c.writeReceiver(s, text)
	}
	file, err := setup.Decode("the coordinator's configuration", []byte(text))
	if err != nil {
		return err
	}
	file.Identity = &setup.Identity{Folder: c.Folder, Coordinator: c.Coordinator}
	file.Folder = filepath.Join(filepath.Dir(c.Config), filepath.Base(file.Folder))
	whole, err := file.Encode()
	if err != nil {
		return err
	}
	if err := os.WriteFile(c.Config, whole, 0o600); err != nil {
		return err
	}
	say(s, "this device is beacon %s of network %s now. Write into %s what clock and transmitter stand here, then: lamplighter-agent run --config %[3]s", file.Beacon, file.Network, c.Config)
	return nil
}

// writeReceiver writes the configuration of a receiver.
func (c enrolCommand) writeReceiver(s streams, text string) error {
	config, err := setup.DecodeReceiver("the coordinator's configuration", []byte(text))
	if err != nil {
		return err
	}
	config.Identity = &setup.Identity{Folder: c.Folder, Coordinator: c.Coordinator}
	whole, err := config.Encode()
	if err != nil {
		return err
	}
	if err := os.WriteFile(c.Config, whole, 0o600); err != nil {
		return err
	}
	say(s, "this device is receiver %s of network %s now, and brings the reports of %s: lamplighter-agent receptions --config %s FILE", config.Receiver, config.Network, config.Callsign, c.Config)
	return nil
}

// token is the one named, or else the first line of the input.
func (c enrolCommand) token(s streams) (enrolment.Token, error) {
	text := c.Token
	if text == "" {
		say(s, "type the token:")
		line, err := bufio.NewReader(io.LimitReader(s.in, 1<<10)).ReadString('\n')
		if err != nil && line == "" {
			return enrolment.Token{}, fmt.Errorf("no token was given")
		}
		text = line
	}
	return enrolment.ParseToken(text)
}
