// Package feed makes a source of time of real things: it starts what listens
// to receivers and time daemons, stamps what they say with the machine's clocks
// at once, lets package judge decide, and gives its readings.
//
// One lock orders all that is said, so the judge sees the clocks go forward
// only. What listens may fail at any time: it is started anew after a while,
// and meanwhile the judge hears silence. Nothing here makes a time up.
package feed

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"lamplighter/agent/clock/judge"
	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// Feed listens to something that knows the time.
type Feed interface {
	fmt.Stringer // its name in the log
	// Run tells what it hears, from one goroutine, as soon as it is heard,
	// until ctx ends or nothing more can be heard. It always returns an error,
	// which says what is wrong and what to do.
	Run(ctx context.Context, tell func(judge.Event)) error
}

const (
	every = time.Second     // at the least, a reading
	again = 2 * time.Second // after which a feed that failed is started anew
)

// Source gives the readings that a judge makes of its feeds. It satisfies the
// interface of package clock.
type Source struct {
	Judge judge.Config
	Feeds []Feed
	// Frequency is how wrong the transmitter's frequency may be at a time and
	// temperature (nil: not measured), in parts per billion; nil: not known.
	Frequency func(now time.Time, celsius *float64) *float64
	// Celsius is the machine's temperature; nil: not measured. The field nil:
	// there is no thermometer.
	Celsius func() *float64
	Now     func() judge.Instant // nil: the machine's clocks
	Log     *slog.Logger         // nil: nothing is logged
}

// Readings implements clock.Source.
func (s Source) Readings(ctx context.Context) <-chan core.Reading {
	if s.Now == nil {
		s.Now = Machine
	}
	if s.Log == nil {
		s.Log = slog.New(slog.DiscardHandler)
	}
	l := &listener{source: s, judge: judge.New(s.Judge), readings: make(chan core.Reading, 1)}
	l.say()
	var feeds sync.WaitGroup
	for _, f := range s.Feeds {
		feeds.Go(func() { l.keep(ctx, f) })
	}
	go func() {
		l.tick(ctx)
		feeds.Wait()
		close(l.readings)
	}()
	return l.readings
}

// listener is a source at work.
type listener struct {
	source   Source
	readings chan core.Reading

	mu         sync.Mutex
	judge      *judge.Judge
	reason     judge.Reason
	measured   time.Duration // when it was last measured how steady the oscillator is, raw
	steadiness *wirev1.Steadiness
}

func (l *listener) tick(ctx context.Context) {
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
			l.say()
		}
	}
}

// keep keeps a feed running.
func (l *listener) keep(ctx context.Context, f Feed) {
	said := ""
	for ctx.Err() == nil {
		err := f.Run(ctx, l.tell)
		if ctx.Err() != nil {
			return
		}
		if err != nil && err.Error() != said {
			said = err.Error()
			l.source.Log.Warn("a source of time is lost", "source", f.String(), "error", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(again):
		}
	}
}

func (l *listener) tell(event judge.Event) {
	l.mu.Lock()
	l.judge.Take(l.source.Now(), event)
	l.mu.Unlock()
	l.say()
}

// say gives the judge's reading, in the place of one that was not fetched.
func (l *listener) say() {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.source.Now()
	celsius := l.celsius()
	if celsius != nil {
		l.judge.Take(now, judge.Temperature{Celsius: *celsius})
	}
	v := l.judge.Verdict(now)
	r := v.Reading
	r.Reason, r.Celsius = string(v.Reason), celsius
	if left, known := l.judge.Remaining(); known && r.Known {
		r.SilentIn = &left
	}
	if l.source.Frequency != nil {
		r.FrequencyPPB = l.source.Frequency(now.Wall.Add(r.Offset), celsius)
	}
	if v.Reason != l.reason {
		l.reason = v.Reason
		l.source.Log.Info(v.Reason.Sentence()+" "+silence(r.SilentIn), "reason", string(v.Reason))
	}
	if now.Raw-l.measured >= time.Hour {
		l.measured = now.Raw
		l.measure()
	}
	r.Steadiness = l.steadiness
	select {
	case <-l.readings:
	default:
	}
	l.readings <- r
}

// silence tells when the beacon falls silent.
func silence(left *time.Duration) string {
	switch {
	case left == nil:
		return "The time is not known, so the beacon is silent."
	case *left >= 48*time.Hour:
		return "Without any further word the beacon falls silent in more than two days."
	}
	minutes := int(left.Minutes())
	return fmt.Sprintf("Without any further word the beacon falls silent in %d h %d min.", minutes/60, minutes%60)
}

// measure measures how steady the machine's oscillator is.
func (l *listener) measure() {
	report := l.judge.Stability()
	if len(report.OverlappingAllan) == 0 {
		return
	}
	said := &wirev1.Steadiness{}
	var figures []any
	for _, a := range report.OverlappingAllan {
		said.Allan = append(said.Allan, &wirev1.Measure{Seconds: uint32(a.Tau), Value: float32(a.Value)})
		figures = append(figures, fmt.Sprintf("allan_%gs", a.Tau), a.Value)
	}
	for _, e := range report.MaxTimeInterval {
		said.MaxTimeIntervalError = append(said.MaxTimeIntervalError, &wirev1.Measure{Seconds: uint32(e.Tau), Value: float32(e.Value)})
		figures = append(figures, fmt.Sprintf("mtie_%gs", e.Tau), e.Value)
	}
	l.steadiness = said
	l.source.Log.Info("how steady the machine's oscillator is", figures...)
}

func (l *listener) celsius() *float64 {
	if l.source.Celsius == nil {
		return nil
	}
	return l.source.Celsius()
}
