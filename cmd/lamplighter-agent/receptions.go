package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"lamplighter/agent/enrol"
	"lamplighter/agent/receiver"
	"lamplighter/proto/setup"
)

type receptionsCommand struct {
	Config string   `required:"" type:"path" placeholder:"FILE" help:"The receiver's configuration, as enrol wrote it."`
	Files  []string `arg:"" type:"path" help:"Reports in CSV, each file with the header that lamplighter heard import --help shows."`
}

// Help is shown by --help.
func (receptionsCommand) Help() string {
	return `For a receiver that stands in the fleet file under receivers, and was enrolled like a beacon. Only reports of its own call sign are taken. Bringing the same ones again changes nothing, so let a timer do it every few minutes. The certificate is renewed when it is time.

Example:

    lamplighter-agent receptions --config club-rx.yaml heard-today.csv`
}

// Run brings the files.
func (c receptionsCommand) Run(s streams) error {
	text, err := readUpTo(c.Config, setup.MaxBytes)
	if err != nil {
		return err
	}
	config, err := setup.DecodeReceiver(c.Config, text)
	if err != nil {
		return err
	}
	var files [][]byte
	for _, name := range c.Files {
		file, err := readUpTo(name, receiver.MaxFile)
		if err != nil {
			return err
		}
		files = append(files, file)
	}
	ctx, cancel := signal.NotifyContext(context.Background(), syscall.SIGTERM, syscall.SIGINT)
	defer cancel()
	if config.Identity != nil {
		if err := enrol.At(config.Identity.Folder).RenewIfDue(ctx, config.Identity.Coordinator); err != nil {
			say(s, "the certificate can't be renewed; it is tried again next time: %v", err)
		}
	}
	taken, err := receiver.Bring(ctx, config, files)
	if err != nil {
		return fmt.Errorf("%d of %d files were taken: %w", taken, len(files), err)
	}
	say(s, "%d files were brought", taken)
	return nil
}

// readUpTo reads a file that must not have more bytes than most.
func readUpTo(name string, most int64) ([]byte, error) {
	file, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer func() { _ = file.Close() }() // nothing was written
	text, err := io.ReadAll(io.LimitReader(file, most+1))
	if err == nil && int64(len(text)) > most {
		err = fmt.Errorf("%s has more than %d KiB: bring it in parts", name, most>>10)
	}
	return text, err
}
