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
	inside        atomic.Int64 // messages that came and are not dealt with
	next          time.Time    // until when a small group waits for more; its writer's own, as what follows
	passed        int          // groups in a row that left records for later
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
// began: so many beacons that each say little cost ten commits a second, not one
// each. What comes after a quiet moment waits for nothing, nor does what is left
// after a large group, and after others the less the larger they were.
const (
	gatherFor    = 100 * time.Millisecond
	enoughToSend = 250 // messages, or twice as many records, that wait for no more
)

// When a crowd speaks at once, as after a hush or when all come back, records wait
// until its live messages are stored: somebody waits for those. But not for more
// than so many groups in a row.
const mostBefore = 10

// collect waits for a message and takes what else is there, live ones first,
// beacon by beacon. It returns nothing when ctx ends.
func (l *lane) collect(ctx context.Context) (group []*message) {
	select {
	case <-ctx.Done():
		return nil
	case m := <-l.live:
		group = append(group, m)
	case m := <-l.records:
		group = append(group, m)
	}
	if group = l.gather(ctx, group); group == nil {
		return nil
	}
	began := time.Now()
	for len(group) < groupLive && len(l.live) > 0 {
		group = append(group, <-l.live)
	}
	l.passed++
	if countLive(group) < enoughToSend || l.passed > mostBefore {
		l.passed = 0
	}
	for rows := countRecords(group); l.passed == 0 && rows < groupRecords && len(l.records) > 0; {
		m := <-l.records
		group = append(group, m)
		rows += len(m.reports.Records)
	}
	l.next = began.Add(pauseAfter(len(group), countRecords(group)))
	slices.SortStableFunc(group, func(a, b *message) int { return cmp.Compare(a.address.Beacon, b.address.Beacon) })
	return group
}

// pauseAfter is how long after a group began the next one waits for more.
func pauseAfter(messages, records int) time.Duration {
	size := max(messages, records/2)
	return gatherFor * time.Duration(max(enoughToSend-size, 0)) / enoughToSend
}

// gather waits until the group is large enough or it is time for it.
func (l *lane) gather(ctx context.Context, group []*message) []*message {
	wait := time.Until(l.next)
	if wait <= 0 {
		return group
	}
	due := time.NewTimer(wait)
	defer due.Stop()
	for rows := countRecords(group); len(group) < enoughToSend && rows < 2*enoughToSend; {
		var m *message
		select {
		case m = <-l.live: // first
		default:
			select {
			case <-ctx.Done():
				return nil
			case <-due.C:
				return group
			case m = <-l.live:
			case m = <-l.records:
			}
		}
		group = append(group, m)
		rows += len(m.reports.Records)
	}
	return group
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
