package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"lamplighter/agent/clock"
	"lamplighter/agent/enrol"
	"lamplighter/agent/transmitter"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/setup"
)

type checkCommand struct {
	configFlag
}

// Run says what a configuration means, or what is wrong with it.
func (c checkCommand) Run(s streams) error {
	file, err := c.read()
	if err != nil {
		return err
	}
	_, envelope, err := enrol.Envelope(file)
	if err != nil {
		return fmt.Errorf("%s: %w", c.Config, err)
	}
	if clock.FromSetup(file, time.Time{}, nil) == nil {
		return fmt.Errorf("%s: clock.source: %q is not known; this program has: %s", c.Config, file.Clock.Source, clock.Names)
	}
	if err := transmitter.Check(file.Transmitter); err != nil {
		return fmt.Errorf("%s: %w", c.Config, err)
	}
	_, err = io.WriteString(s.out, describe(file, envelope))
	return err
}

// describe says what a configuration means.
func describe(file *setup.File, e *wirev1.Envelope) string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("This is beacon %s at site %s of network %s.", file.Beacon, file.Site, file.Network)
	line("It connects to %s and says every %s how it is.", file.Broker, file.Health())
	line("What must not be lost is kept in %s.", file.Folder)
	line("The time comes from the source %q, the transmitter is driven by %q.", file.Clock.Source, file.Transmitter.Driver)
	if why := file.Transmitter.LocalOnly(); why != "" {
		line("Mind: %s.", why)
	}
	line("Only what is signed with the key %s counts.", file.CoordinatorKey.ID)
	line("")
	line("The licence (%s, number %d) allows:", e.GetSource(), e.GetNumber())
	line("  call sign %s at %s, in slots of %d seconds%s", e.GetCallsign(), e.GetLocator(), e.GetSlotSeconds(), dates(e))
	for _, band := range e.GetBands() {
		line("  %s, %s control, at most %d dBm%s", band.GetBand(), control(band.GetControl()), band.GetMaxPowerDbm(), segments(band))
	}
	if len(e.GetBands()) == 0 {
		line("  no band: this beacon stays silent")
	}
	return b.String()
}

func dates(e *wirev1.Envelope) string {
	var text string
	if from := e.GetValidFromUnix(); from != 0 {
		text += ", from " + time.Unix(from, 0).UTC().Format(time.RFC3339)
	}
	if to := e.GetValidToUnix(); to != 0 {
		text += ", until " + time.Unix(to, 0).UTC().Format(time.RFC3339)
	}
	return text
}

func control(c wirev1.Control) string {
	return strings.ToLower(strings.TrimPrefix(c.String(), "CONTROL_"))
}

func segments(band *wirev1.EnvelopeBand) string {
	var parts []string
	for _, s := range band.GetSegments() {
		parts = append(parts, fmt.Sprintf("%d to %d Hz at %d dBm", s.GetFromHz(), s.GetToHz(), s.GetLimitDbm()))
	}
	if len(parts) == 0 {
		return ", no segment: silent"
	}
	return ", " + strings.Join(parts, ", ")
}
