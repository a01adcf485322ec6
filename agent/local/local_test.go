package local

import (
	"context"
	"errors"
	"testing"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/setup"
)

func TestAsk(t *testing.T) {
	file := &setup.File{Network: "tern-valley", Beacon: "mill-hf", Folder: t.TempDir()}
	if _, err := Ask(t.Context(), file); !errors.Is(err, ErrNotRunning) {
		t.Errorf("nobody runs: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		ended <- Serve(ctx, file, func(context.Context) *wirev1.Health { return &wirev1.Health{MuteReason: "no_lease"} })
	}()
	health, err := Ask(t.Context(), file)
	for errors.Is(err, ErrNotRunning) { // until it has started
		health, err = Ask(t.Context(), file)
	}
	if err != nil || health.GetMuteReason() != "no_lease" {
		t.Errorf("%v (%v)", health, err)
	}
	if err := Serve(ctx, file, nil); err == nil {
		t.Error("two agents answer for one folder")
	}
	other := *file
	other.Folder = t.TempDir()
	if _, err := Ask(t.Context(), &other); !errors.Is(err, ErrNotRunning) {
		t.Errorf("an agent in another folder: %v", err)
	}
	cancel()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Errorf("ended with %v", err)
	}
}

// An agent that has no answer any more is not taken for one that is well.
func TestNoAnswer(t *testing.T) {
	file := &setup.File{Network: "tern-valley", Beacon: "mill-hf", Folder: t.TempDir()}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	go func() { _ = Serve(ctx, file, func(context.Context) *wirev1.Health { return nil }) }()
	_, err := Ask(t.Context(), file)
	for errors.Is(err, ErrNotRunning) {
		_, err = Ask(t.Context(), file)
	}
	if err == nil {
		t.Error("no answer, and no error")
	}
}
