package main

import (
	"context"
	"fmt"
	"io"
	"os/signal"
	"slices"
	"syscall"
	"time"

	"lamplighter/agent/enrol"
	"lamplighter/agent/keyer/rehearsal"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/onair/wspr"
)

type rehearseCommand struct {
	configFlag
	Band        string `help:"The band; the first that the licence allows if none is named." placeholder:"NAME"`
	SlotSeconds int    `default:"120" help:"The length of the slot. A shorter one, such as 10, is a trial of the machine only: its tones are too fast to be read."`
}

// Run sends one transmission into nothing and shows its tones and timing.
func (r rehearseCommand) Run(s streams) error {
	file, err := r.read()
	if err != nil {
		return err
	}
	_, envelope, err := enrol.Envelope(file)
	if err != nil {
		return fmt.Errorf("%s: %w", r.Config, err)
	}
	length := slot.Length(r.SlotSeconds)
	if err := length.Check(); err != nil {
		return fmt.Errorf("--slot-seconds: %w", err)
	}
	ctx, cancel := signal.NotifyContext(context.Background(), syscall.SIGTERM, syscall.SIGINT)
	defer cancel()
	report, err := rehearsal.Run(ctx, envelope, length, r.Band, func(start time.Time) {
		end := start.Add(length.Timing().End())
		fmt.Fprintf(s.err, "The slot begins at %s; this takes until %s. Nothing is keyed.\n", start.Format("15:04:05 UTC"), end.Format("15:04:05 UTC"))
	})
	if err != nil {
		return err
	}
	return show(s.out, report)
}

func show(w io.Writer, r *rehearsal.Report) error {
	m := r.Transmission.GetMessage()
	late := make([]time.Duration, 0, len(r.Tones))
	fmt.Fprintf(w, "%s %s %d dBm on %s, slot of %s\n\n", m.GetCallsign(), m.GetLocator(), m.GetPowerDbm(), r.Transmission.GetBand(), r.Start.Format(time.RFC3339))
	fmt.Fprintf(w, "%6s  %4s  %14s  %10s  %8s\n", "symbol", "tone", "Hz", "at s", "late ms")
	lowest, highest := r.Tones[0].Hz, r.Tones[0].Hz
	for _, t := range r.Tones {
		lowest, highest = min(lowest, t.Hz), max(highest, t.Hz)
	}
	for i, t := range r.Tones {
		late = append(late, t.Late)
		fmt.Fprintf(w, "%6d  %4.0f  %14.4f  %10.4f  %8.3f\n", i, (t.Hz-lowest)/wspr.ToneSpacingHz, t.Hz, t.At.Seconds(), milliseconds(t.Late))
	}
	slices.Sort(late)
	first, last := r.Tones[0], r.Unkeyed.Round(0).Sub(r.Start)
	fmt.Fprintf(w, "\n%d tones, %.4f Hz apart, on the air for %.3f s.\n", len(r.Tones), (highest-lowest)/3, (last - first.At - first.Late).Seconds())
	_, err := fmt.Fprintf(w, "The start was %.3f ms late, half of the tones at most %.3f ms, the worst %.3f ms: by this machine's own clock. Whether that is right, lamplighter-agent doctor says.\n",
		milliseconds(first.Late), milliseconds(late[len(late)/2]), milliseconds(late[len(late)-1]))
	return err
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }
