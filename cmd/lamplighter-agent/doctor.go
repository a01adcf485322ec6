package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"lamplighter/agent/app"
	"lamplighter/agent/clock"
	"lamplighter/agent/doctor"
	"lamplighter/agent/enrol"
	"lamplighter/agent/local"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

type doctorCommand struct {
	configFlag
	Output string        `enum:"table,json" default:"table" help:"How to print: table or json."`
	Listen time.Duration `default:"15s" help:"How long to listen to the receiver and to the clock."`
}

// errSick makes the program end with 1.
var errSick = errors.New("something is wrong; see above")

// Run looks at everything.
func (d doctorCommand) Run(s streams) error {
	file, err := d.read()
	if err != nil {
		return err
	}
	if _, _, err := enrol.Envelope(file); err != nil {
		return fmt.Errorf("%s: %w", d.Config, err)
	}
	source := clock.FromSetup(file, app.Earliest, slog.New(slog.DiscardHandler))
	if source == nil {
		return fmt.Errorf("%s: clock.source: %q is not known; this program has: %s", d.Config, file.Clock.Source, clock.Names)
	}
	ctx, cancel := signal.NotifyContext(context.Background(), syscall.SIGTERM, syscall.SIGINT)
	defer cancel()
	found := doctor.Examine(ctx, doctor.Patient{
		File: file, Now: time.Now(), Listen: d.Listen, Receiver: clock.Receiver(file), Readings: source.Readings,
		Agent:   func(ctx context.Context) (*wirev1.Health, error) { return local.Ask(ctx, file) },
		Devices: "/dev",
	})
	if err := d.write(s.out, found); err != nil {
		return err
	}
	if doctor.Sick(found) {
		return errSick
	}
	return nil
}

func (d doctorCommand) write(out io.Writer, found []doctor.Finding) error {
	if d.Output == "json" {
		encoder := json.NewEncoder(out)
		encoder.SetIndent("", "  ")
		return encoder.Encode(found)
	}
	var b strings.Builder
	for _, f := range found {
		fmt.Fprintf(&b, "%-8s %-11s %s\n", f.Verdict, f.Subject, f.Sentence)
		if f.Advice != "" && f.Verdict != doctor.Well {
			fmt.Fprintf(&b, "%20s What to do: %s\n", "", f.Advice)
		}
	}
	_, err := io.WriteString(out, b.String())
	return err
}
