package intake

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/coordinator/store"
	"lamplighter/proto/topic"
)

// put puts a message where Handle puts it.
func (l *lane) put(m *message) {
	queue := l.live
	if m.kind == topic.Records {
		queue = l.records
	}
	queue <- m
	l.came(m.size())
}

// What comes after a quiet moment is stored at once; what goes on coming is
// stored about five times a second, together; much of it waits for nothing.
func TestSmallGroupsWaitForMore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, end := context.WithCancel(t.Context())
		l := &lane{}
		l.open()
		var latest time.Time
		expect := func(what string, least, most int, after time.Duration) {
			t.Helper()
			n := len(l.collect(ctx))
			if took := time.Since(latest); n < least || n > most || took != after {
				t.Errorf("%s: a group of %d after %s, want %d to %d after %s", what, n, took, least, most, after)
			}
			latest = time.Now()
		}
		latest = time.Now()
		l.put(&message{})
		expect("the first", 1, 1, 0)
		go func() {
			for range 18 {
				time.Sleep(gatherFor / 10)
				l.put(&message{})
			}
		}()
		expect("of many that each say little", 9, 9, gatherFor-gatherFor/enoughToSend)
		synctest.Wait()
		for range enoughToSend {
			l.put(&message{})
		}
		expect("many at once", enoughToSend, enoughToSend+9, 0)
		batch := &message{kind: topic.Records}
		batch.reports.Records = make([]store.Record, 2*enoughToSend)
		l.put(batch)
		expect("a large batch", 1, 1, 0)
		time.Sleep(time.Minute)
		latest = time.Now()
		l.put(&message{kind: topic.Records})
		expect("after a quiet minute", 1, 12, 0)
		l.put(&message{})
		end()
		if group := l.collect(ctx); len(group) > 1 {
			t.Errorf("%d messages after the end", len(group))
		}
	})
}

func TestThePauseAfterAGroupIsTheShorterTheLargerItWas(t *testing.T) {
	began := time.Unix(1_800_000_000, 0)
	for name, c := range map[string]struct {
		before            time.Duration // from began on
		messages, records int
		want              time.Duration
	}{
		"nothing":                       {0, 0, 0, gatherFor},
		"half of what is enough":        {0, enoughToSend / 2, 0, gatherFor / 2},
		"the same, in records":          {0, 1, enoughToSend, gatherFor / 2},
		"each message with a record":    {0, 50, 50, gatherFor * 4 / 5},
		"enough":                        {0, enoughToSend, 0, -ahead},
		"more than enough, ahead":       {gatherFor, 4000, 4000, -ahead},
		"one batch of many records":     {0, 1, 500, -ahead},
		"a small one after a large one": {-ahead, 50, 0, -ahead + gatherFor*4/5},
		"after a quiet moment":          {-ahead - 1, 50, 0, gatherFor * 4 / 5},
	} {
		if got := nextAfter(began.Add(c.before), began, c.messages, c.records).Sub(began); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// While hundreds of live messages come, records wait, but not for ever.
func TestACrowdThatSpeaksLiveIsHeardFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &lane{}
		l.open()
		batch := func() *message {
			m := &message{kind: topic.Records}
			m.reports.Records = make([]store.Record, 1)
			return m
		}
		for range 100 {
			l.put(batch())
		}
		collect := func() (live, records int) {
			for len(l.live) < groupLive {
				l.put(&message{})
			}
			group := l.collect(t.Context())
			records = countRecords(group)
			return len(group) - records, records
		}
		gathered := 0 // some may be taken while a group is gathered
		for i := range mostBefore {
			live, records := collect()
			if gathered += records; live < enoughToSend/2 || len(l.records) != 100-gathered {
				t.Errorf("group %d: %d live messages and %d records", i, live, records)
			}
		}
		if gathered > mostBefore {
			t.Errorf("%d records were stored before live messages", gathered)
		}
		if _, records := collect(); records != 100-gathered {
			t.Errorf("%d records after %d groups without, want all %d", records, mostBefore, 100-gathered)
		}
		for len(l.live) > 0 {
			l.collect(t.Context())
		}
		l.next = time.Now().Add(gatherFor)
		for range 2 * enoughToSend {
			l.put(batch())
		}
		if group := l.collect(t.Context()); len(group) != 2*enoughToSend {
			t.Errorf("%d records are stored together where nothing else waits, of %d", len(group), 2*enoughToSend)
		}
	})
}
