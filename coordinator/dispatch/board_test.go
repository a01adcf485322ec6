package dispatch

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/lease"
	"lamplighter/proto/topic"
)

// slowBroker takes a second for each message, and refuses while it is away.
type slowBroker struct {
	mu    sync.Mutex
	away  error
	came  []string
	under map[string]int // publishes under way, by topic
}

func (s *slowBroker) Publish(ctx context.Context, m broker.Message) error {
	s.mu.Lock()
	s.under[m.Topic]++
	if s.under[m.Topic] > 1 {
		panic("two messages of one topic are under way")
	}
	s.mu.Unlock()
	select {
	case <-time.After(time.Second):
	case <-ctx.Done():
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.under[m.Topic]--
	if err := errors.Join(ctx.Err(), s.away); err != nil {
		return err
	}
	s.came = append(s.came, m.Topic+" "+string(m.Payload))
	return nil
}

func onBoard(t *testing.T, test func(b *board, s *slowBroker)) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		s := &slowBroker{under: map[string]int{}}
		b := newBoard(ctx, s, slog.New(slog.NewTextHandler(io.Discard, nil)))
		test(b, s)
		stop()
		b.close()
	})
}

func (s *slowBroker) all() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return fmt.Sprint(s.came)
}

func TestTheLatestOfATopicIsTheLast(t *testing.T) {
	onBoard(t, func(b *board, s *slowBroker) {
		b.put("a", lease.Number{}, []byte("1"))
		synctest.Wait()
		b.put("a", lease.Number{}, []byte("2"))
		b.put("a", lease.Number{}, []byte("3"))
		<-time.After(5 * time.Second)
		if got := s.all(); got != "[a 3]" {
			t.Error(got)
		}
		b.again()
		<-time.After(5 * time.Second)
		if got := s.all(); got != "[a 3 a 3]" {
			t.Error(got)
		}
		b.retry()
		<-time.After(5 * time.Second)
		if got := s.all(); got != "[a 3 a 3]" {
			t.Error("what was taken was published again: " + got)
		}
	})
}

// A hush waits for no orders, however many there are.
func TestAHushGoesOutBeforeWhatWaits(t *testing.T) {
	onBoard(t, func(b *board, s *slowBroker) {
		const orders = 10 * senders
		for i := range orders {
			b.put(at(fmt.Sprint(i)).Topic(topic.Orders), lease.Number{}, nil)
		}
		b.put(at("mill").Topic(topic.Hush), lease.Number{}, []byte("be silent"))
		<-time.After(2500 * time.Millisecond) // two rounds
		s.mu.Lock()
		came := len(s.came)
		there := slices.Contains(s.came, at("mill").Topic(topic.Hush)+" be silent")
		s.mu.Unlock()
		if came != 2*senders || !there {
			t.Errorf("%d messages came, the hush among them: %v", came, there)
		}
		<-time.After(time.Minute)
		s.mu.Lock()
		defer s.mu.Unlock()
		if len(s.came) != orders+1 {
			t.Errorf("%d messages came in the end, of %d", len(s.came), orders+1)
		}
	})
}

func TestWhatTheBrokerDidNotTakeIsTriedAgain(t *testing.T) {
	onBoard(t, func(b *board, s *slowBroker) {
		s.away = broker.ErrNotConnected
		b.put("a", lease.Number{}, []byte("1"))
		<-time.After(5 * time.Second)
		s.mu.Lock()
		s.away = nil
		s.mu.Unlock()
		b.retry()
		<-time.After(5 * time.Second)
		if got := s.all(); got != "[a 1]" {
			t.Error(got)
		}
	})
}

func TestAfterATermNothingIsPublished(t *testing.T) {
	onBoard(t, func(b *board, s *slowBroker) {
		b.close()
		b.put("a", lease.Number{}, []byte("1"))
		b.again()
		synctest.Wait()
		if got := s.all(); got != "[]" {
			t.Error(got)
		}
	})
}

// Whoever led before may speak last. That does not stay, and two who believe to
// lead do not speak against each other without end.
func TestAnOlderMessageDoesNotStay(t *testing.T) {
	ours := lease.Number{Epoch: 2, Revision: 1}
	for name, c := range map[string]struct {
		payload string
		number  lease.Number
		again   bool
	}{
		"our own":         {"ours", ours, false},
		"an older one":    {"older", lease.Number{Epoch: 1, Revision: 9}, true},
		"nobody's":        {"garbage", lease.Number{}, true},
		"a later one":     {"later", lease.Number{Epoch: 2, Revision: 2}, false},
		"a later epoch's": {"later", lease.Number{Epoch: 3, Revision: 1}, false},
	} {
		t.Run(name, func(t *testing.T) {
			onBoard(t, func(b *board, s *slowBroker) {
				b.put("a", ours, []byte("ours"))
				<-time.After(5 * time.Second)
				b.replaced("a", []byte(c.payload), func() lease.Number { return c.number })
				b.replaced("of nobody here", []byte("x"), func() lease.Number { return lease.Number{} })
				<-time.After(5 * time.Second)
				if got := s.all(); got != "[a ours]" {
					t.Errorf("said at once: %s", got)
				}
				b.retry()
				<-time.After(5 * time.Second)
				if again := s.all() == "[a ours a ours]"; again != c.again {
					t.Errorf("after the retry: %s", s.all())
				}
			})
		})
	}
}

// hangingBroker never answers for the first message.
type hangingBroker struct {
	slowBroker
	hung bool
}

func (h *hangingBroker) Publish(ctx context.Context, m broker.Message) error {
	if !h.hung {
		h.hung = true
		<-ctx.Done()
		return ctx.Err()
	}
	return h.slowBroker.Publish(ctx, m)
}

// A hush does not wait for an older message of its topic that the broker never
// answers for.
func TestWhatIsNewerDoesNotWaitForWhatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		h := &hangingBroker{slowBroker: slowBroker{under: map[string]int{}}}
		b := newBoard(ctx, h, slog.New(slog.DiscardHandler))
		b.put("hush", lease.Number{Epoch: 1, Revision: 1}, []byte("older"))
		synctest.Wait()
		began := time.Now()
		b.put("hush", lease.Number{Epoch: 1, Revision: 2}, []byte("newer"))
		<-time.After(time.Second)
		synctest.Wait()
		if came := h.all(); came != "[hush newer]" || time.Since(began) != time.Second {
			t.Errorf("%q came within %s", came, time.Since(began))
		}
		stop()
		b.close()
	})
}
