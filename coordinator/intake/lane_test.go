package intake

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/coordinator/store"
)

// What comes after a quiet moment is stored at once; what goes on coming is
// stored ten times a second, together; much of it waits for nothing.
func TestSmallGroupsWaitForMore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, end := context.WithCancel(t.Context())
		l := &lane{live: make(chan *message, liveQueue), records: make(chan *message, recordsQueue)}
		began := time.Now()
		collect := func() (n int, at time.Duration) {
			n = len(l.collect(ctx))
			return n, time.Since(began)
		}
		expect := func(what string, most int, after time.Duration) {
			t.Helper()
			if n, at := collect(); n < 1 || n > most || at != after {
				t.Errorf("%s: a group of %d after %s, want at most %d after %s", what, n, at, most, after)
			}
		}
		l.live <- &message{}
		expect("the first", 1, 0)
		go func() {
			for range 20 {
				time.Sleep(gatherFor / 10)
				l.live <- &message{}
			}
		}()
		expect("of many that each say little", 11, gatherFor)
		expect("the next of them", 11, 2*gatherFor)
		for range enoughToSend {
			l.live <- &message{}
		}
		expect("many at once", enoughToSend+1, 2*gatherFor)
		batch := &message{}
		batch.reports.Records = make([]store.Record, 2*enoughToSend)
		l.records <- batch
		expect("a large batch", 2, 2*gatherFor)
		synctest.Wait()
		time.Sleep(time.Minute)
		began = time.Now()
		l.records <- &message{}
		expect("after a quiet minute", 12, 0)
		l.live <- &message{}
		end()
		if group := l.collect(ctx); len(group) > 1 {
			t.Errorf("%d messages after the end", len(group))
		}
	})
}
