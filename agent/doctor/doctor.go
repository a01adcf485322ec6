// Package doctor looks at everything that a beacon needs, and says in plain
// sentences what is wrong and what to do. It changes nothing: it opens no port,
// sets no line and writes to no bus, so it may be called while the agent runs.
//
// What a running agent says of receiver and clock is taken from it: two that read
// one serial line would each hear half. Without one they are listened to.
//
// Each examination looks at one thing and gives a finding or more. What can't be
// found out is told as such, and is not called well.
package doctor

import (
	"context"
	"time"

	"lamplighter/agent/clock/feed"
	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/setup"
)

// Verdict is what a finding comes to.
type Verdict string

// The verdicts.
const (
	Well    Verdict = "well"
	Note    Verdict = "note"    // nothing is wrong yet, or it can't be told
	Wrong   Verdict = "wrong"   // the beacon is silent for it, or soon will be
	Unasked Verdict = "unasked" // there is nothing of the kind here
)

// Finding is what was found at one thing.
type Finding struct {
	Subject  string  `json:"subject"`
	Verdict  Verdict `json:"verdict"`
	Sentence string  `json:"sentence"`
	Advice   string  `json:"advice,omitempty"` // what to do
}

// Patient is the beacon that is looked at.
type Patient struct {
	File   *setup.File
	Now    time.Time
	Listen time.Duration // how long receiver and clock are listened to
	// Receiver is what listens to the receiver, nil: there is none.
	Receiver feed.Feed
	// Readings are those of the clock.
	Readings func(context.Context) <-chan core.Reading
	// Agent asks the running agent.
	Agent func(context.Context) (*wirev1.Health, error)
	// Devices is the folder with the machine's devices, usually /dev.
	Devices string
}

// Examine looks at everything, in the order in which a person would.
func Examine(ctx context.Context, p Patient) []Finding {
	var found []Finding
	health, running := p.askAgent(ctx)
	for _, look := range []func(context.Context) []Finding{
		p.disk,
		func(ctx context.Context) []Finding { return p.receiver(ctx, health) },
		func(ctx context.Context) []Finding { return p.clock(ctx, health) },
		p.bus,
		p.keyLine,
		p.broker,
		p.certificate,
		func(context.Context) []Finding { return []Finding{running} },
		func(context.Context) []Finding { return lease(health) },
	} {
		found = append(found, look(ctx)...)
	}
	return found
}

// Sick says whether anything is wrong.
func Sick(found []Finding) bool {
	for _, f := range found {
		if f.Verdict == Wrong {
			return true
		}
	}
	return false
}

func one(subject string, v Verdict, sentence, advice string) []Finding {
	return []Finding{{subject, v, sentence, advice}}
}
