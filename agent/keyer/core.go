// Package keyer decides whether the key goes down.
package keyer

import "time"

// Reason says why the keyer refuses, is mute, or ended a transmission early.
type Reason string

// Core is the keyer's state. It is not safe for concurrent use.
type Core struct{ config Config }

// New restores a keyer from what was on disk. The actions come first of all.
func New(config Config, persisted Persisted, now Instant) (*Core, []Action) {
	return &Core{config: config}, nil
}

// Step takes in one event and says what is to be done.
func (c *Core) Step(now Instant, e Event) []Action { return nil }

// Next is the time on the boot clock at which Step wants a Tick at the latest.
func (c *Core) Next() time.Duration { return 0 }
