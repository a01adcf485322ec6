// Package clock holds the sources of time. A source says in one reading what
// the time is, how wrong that may be, and whether the receiver has a fix; what
// it does not know it leaves out, and an error only ever makes the bound larger.
//
// A source gives a reading at least each second: one that is older than five
// seconds is void to whoever uses it.
package clock

import (
	"context"
	"time"

	"lamplighter/agent/core"
)

// Source is a source of time.
type Source interface {
	// Readings gives a reading at once, then at least one each second, until
	// ctx ends; then the channel is closed. A reading that is not fetched in
	// time is replaced by the next.
	Readings(ctx context.Context) <-chan core.Reading
}

// every is the time between readings.
const every = time.Second
