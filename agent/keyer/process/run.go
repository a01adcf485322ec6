// Package process runs the keyer.
package process

import (
	"context"
	"io"
	"time"

	"lamplighter/agent/keyer"
	"lamplighter/agent/transmitter"
	"lamplighter/proto/setup"
)

// Options says what a keyer runs with.
type Options struct {
	keyer.Config                    // BootID empty: the running kernel's
	Dir          string             // the folder of its state file, which must exist
	Transmitter  transmitter.Driver // what it keys; Run closes it
	In           io.Reader          // from the agent
	Out          io.Writer          // to the agent
	Clock        Clock              // nil: the machine's clocks
}

// Clock gives the time. Tests and simulations bring their own.
type Clock interface {
	// Now reads both clocks at once.
	Now() keyer.Instant
	// Timer sends once on the channel after d; stop ends it early.
	Timer(d time.Duration) (fire <-chan time.Time, stop func())
}

// FromSetup makes the options of an agent's keyer from the agent's
// configuration, and opens the transmitter that it names. In and Out are still
// to be set.
func FromSetup(file *setup.File) (Options, error) { return Options{}, nil }

// Run keeps a keyer going until ctx ends (nil), the agent closes its end (nil),
// or something breaks. Whatever the way out, the key is up after it. A process
// that calls it lets SIGTERM and SIGINT end ctx.
func Run(ctx context.Context, o Options) error { return nil }
