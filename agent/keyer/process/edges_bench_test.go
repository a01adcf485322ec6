package process_test

import (
	"context"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"lamplighter/agent/keyer"
	"lamplighter/agent/keyer/process"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// The benchmark's slots are of one second, so that a thousand starts are done in
// minutes; a symbol takes 5.7 ms. Several keyers share a run, and beside each a
// bare sleep to the same instants.
const (
	benchSlot   = slot.Length(1)
	benchKeyers = 4
	benchStarts = 1000
)

// late collects how late things were.
type late struct {
	mu            sync.Mutex
	starts, edges []time.Duration
}

func (l *late) add(starts []time.Duration, edges []time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.starts, l.edges = append(l.starts, starts...), append(l.edges, edges...)
}

func percentile(all []time.Duration, perMille int) time.Duration {
	slices.Sort(all)
	return all[min(len(all)-1, len(all)*perMille/1000)]
}

func (l *late) report(b *testing.B, name string) (start, edge time.Duration) {
	start, edge = percentile(l.starts, 990), percentile(l.edges, 999)
	b.Logf("%-10s %5d starts: p50 %v, p99 %v, worst %v; %6d edges: p50 %v, p99 %v, p99.9 %v, worst %v", name,
		len(l.starts), percentile(l.starts, 500), start, percentile(l.starts, 1000),
		len(l.edges), percentile(l.edges, 500), percentile(l.edges, 990), edge, percentile(l.edges, 1000))
	b.ReportMetric(float64(start.Microseconds()), name+"-start-p99-us")
	b.ReportMetric(float64(edge.Microseconds()), name+"-edge-p99.9-us")
	return start, edge
}

// stopwatch is a transmitter that takes the time of each tone, by the wall
// clock, which is what the keyer places slots by.
type stopwatch struct {
	late    *late
	start   time.Time // of the slot that is on the air
	started time.Duration
	edges   []time.Duration
}

func (s *stopwatch) lateness(symbol int) time.Duration {
	return time.Now().Round(0).Sub(s.start.Add(benchSlot.Timing().SymbolStart(symbol)))
}

func (s *stopwatch) Key(float64, int) error {
	s.start = benchSlot.Start(benchSlot.At(time.Now()))
	s.started, s.edges = s.lateness(0), s.edges[:0]
	return nil
}

func (s *stopwatch) Tone(float64) error {
	s.edges = append(s.edges, s.lateness(len(s.edges)+1))
	return nil
}

func (s *stopwatch) Unkey() error {
	if len(s.edges) > 0 {
		s.late.add([]time.Duration{s.started}, s.edges)
	}
	s.edges = s.edges[:0]
	return nil
}

func (s *stopwatch) Close() error { return s.Unkey() }

// BenchmarkStartsAndEdges compares the keyer with a bare absolute-time sleep.
func BenchmarkStartsAndEdges(b *testing.B) {
	keyed, bare := &late{}, &late{}
	var starts, skipped atomic.Int64
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	var all sync.WaitGroup
	for range benchKeyers {
		all.Go(func() { bareSleeps(ctx, bare) })
		all.Go(func() {
			transmit(ctx, b, &stopwatch{late: keyed}, func(e *keyerv1.Ended) {
				switch {
				case e.GetKind() != wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED:
					if starts.Add(1) >= benchStarts {
						cancel()
					}
				case e.GetReason() == string(keyer.Late):
					skipped.Add(1)
				}
			})
		})
	}
	all.Wait()
	b.Logf("%d late starts were skipped", skipped.Load())
	keyedStart, keyedEdge := keyed.report(b, "keyer")
	bareStart, bareEdge := bare.report(b, "bare")
	b.Logf("start p99 %.2f times, edge p99.9 %.2f times that of a bare sleep",
		float64(keyedStart)/float64(bareStart), float64(keyedEdge)/float64(bareEdge))
	if keyedStart > 2*bareStart || keyedEdge > 2*bareEdge {
		b.Errorf("more than twice as late as a bare sleep")
	}
}

// bareSleeps sleeps to the same instants on a thread of its own.
func bareSleeps(ctx context.Context, into *late) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	for ctx.Err() == nil {
		start := benchSlot.Start(benchSlot.At(time.Now()) + 1)
		var all []time.Duration
		for i := range slot.Symbols {
			at := start.Add(benchSlot.Timing().SymbolStart(i))
			spec := unix.NsecToTimespec(at.UnixNano())
			for unix.ClockNanosleep(unix.CLOCK_REALTIME, unix.TIMER_ABSTIME, &spec, nil) != nil { // a signal woke it
			}
			all = append(all, time.Now().Round(0).Sub(at))
		}
		into.add(all[:1], all[1:])
	}
}

// transmit runs a keyer in memory, with all it needs, for every slot.
func transmit(ctx context.Context, b *testing.B, s *stopwatch, ended func(*keyerv1.Ended)) {
	client := process.InMemory(ctx, process.Options{Config: config(), Dir: b.TempDir(), Transmitter: opened(s)})
	for _, m := range []*keyerv1.ToKeyer{envelope(int64(benchSlot)), ordersFor(int64(benchSlot), 5000), {Body: &keyerv1.ToKeyer_NonceRequest{NonceRequest: &keyerv1.NonceRequest{}}}} {
		if err := client.Send(m); err != nil {
			b.Error(err)
		}
	}
	ticker := time.NewTicker(50 * time.Millisecond)
	defer ticker.Stop()
	var permitted, leased int64
	for {
		select {
		case <-ticker.C:
			_ = client.Send(heartbeat())
			next := int64(benchSlot.At(time.Now())) + 1
			if next != permitted {
				permitted = next
				_ = client.Send(permit(next))
			}
			if next >= leased+60 {
				leased = next
				_ = client.Send(&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_NonceRequest{NonceRequest: &keyerv1.NonceRequest{}}})
			}
		case m, ok := <-client.Messages():
			if !ok {
				return
			}
			if n := m.GetNonce(); n != nil {
				_ = client.Send(grant(n))
			}
			if e := m.GetEnded(); e != nil {
				ended(e)
			}
		}
	}
}
