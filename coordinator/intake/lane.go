package intake

import (
	"cmp"
	"context"
	"hash/maphash"
	"slices"
	"sync/atomic"
	"time"

	"lamplighter/proto/topic"
)

// lanes is how many groups are stored at once: while the database writes one to
// its disk, it works on the other.
const lanes = 2

// lane is a queue with a writer of its own. All that a beacon says goes through
// the same one, so that its messages stay in their order and two writers don't
// wait for the same rows.
type lane struct {
	live, records chan *message
	inside        atomic.Int64  // messages that came and are not dealt with
	waiting       atomic.Int64  // the sizes of those that are in no group yet
	much          chan struct{} // they have come to enoughToSend
	next          time.Time     // until when a small group waits for more; its writer's own, as what follows
	passed        int           // groups in a row that left records for later
}

// open makes the queues.
func (l *lane) open() {
	l.live, l.records, l.much = make(chan *message, liveQueue), make(chan *message, recordsQueue), make(chan struct{}, 1)
}

var seed = maphash.MakeSeed()

func (in *Intake) lane(beacon string) *lane {
	return &in.lanes[maphash.String(seed, beacon)%lanes]
}

// The bounds of a group, which is one transaction.
const (
	groupLive    = 1000
	groupRecords = 4000
)

// A group that is small waits for more until this long after the one before it
// began: so many beacons that each say little cost a few commits a second, not one
// each. What comes after a quiet moment waits for nothing, nor do the few small
// groups that are left after a large one, and after others the less the larger
// they were.
const (
	gatherFor    = 400 * time.Millisecond
	ahead        = 2 * gatherFor // how far a large group lets small ones run ahead
	enoughToSend = 250           // messages, or twice as many records, that wait for no more
)

// When a crowd speaks at once, as after a hush or when all come back, records wait
// until its live messages are stored: somebody waits for those. But not for more
// than so many groups in a row.
const mostBefore = 10

// collect waits for a message and takes what else is there, live ones first,
// beacon by beacon. It returns nothing when ctx ends.
func (l *lane) collect(ctx context.Context) (group []*message) {
	var first *message
	select {
	case <-ctx.Done():
		return nil
	case first = <-l.live:
	case first = <-l.records:
	}
	if l.gather(ctx); ctx.Err() != nil {
		return nil
	}
	group = l.took(first, group)
	began := time.Now()
	for len(group) < groupLive && len(l.live) > 0 {
		group = l.took(<-l.live, group)
	}
	l.passed++
	if countLive(group) < enoughToSend || l.passed > mostBefore {
		l.passed = 0
	}
	for rows := countRecords(group); l.passed == 0 && rows < groupRecords && len(l.records) > 0; {
		m := <-l.records
		group = l.took(m, group)
		rows += len(m.reports.Records)
	}
	l.next = nextAfter(l.next, began, len(group), countRecords(group))
	slices.SortStableFunc(group, func(a, b *message) int { return cmp.Compare(a.address.Beacon, b.address.Beacon) })
	return group
}

// nextAfter is until when the next group waits for more after one that began, if
// that one was to wait until before.
func nextAfter(before, began time.Time, messages, records int) time.Time {
	size := max(messages, records/2)
	switch {
	case size >= enoughToSend:
		return began.Add(-ahead)
	case began.Sub(before) > ahead: // a quiet moment
		before = began
	}
	return before.Add(gatherFor * time.Duration(enoughToSend-size) / enoughToSend)
}

// size is how much a message adds to a group: 1, or half of its records.
func (m *message) size() int64 { return int64(max(1, len(m.reports.Records)/2)) }

// came notes that a message of a size is in its queue.
func (l *lane) came(size int64) {
	if l.waiting.Add(size) >= enoughToSend {
		ring(l.much)
	}
}

// took adds a message to a group.
func (l *lane) took(m *message, group []*message) []*message {
	l.waiting.Add(-m.size())
	return append(group, m)
}

// gather waits until enough waits or it is time for a group; not while each one
// comes, which would cost more than all else that is done for it.
func (l *lane) gather(ctx context.Context) {
	wait := time.Until(l.next)
	if wait <= 0 {
		return
	}
	due := time.NewTimer(wait)
	defer due.Stop()
	for l.waiting.Load() < enoughToSend {
		select {
		case <-ctx.Done():
			return
		case <-due.C:
			return
		case <-l.much:
		}
	}
}

func countLive(group []*message) (n int) {
	for _, m := range group {
		if m.kind != topic.Records {
			n++
		}
	}
	return n
}

func countRecords(group []*message) (n int) {
	for _, m := range group {
		n += len(m.reports.Records)
	}
	return n
}
