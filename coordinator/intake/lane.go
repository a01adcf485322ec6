package intake

import (
	"cmp"
	"context"
	"hash/maphash"
	"slices"
)

// lanes is how many groups are stored at once: while the database writes one to
// its disk, it works on the other.
const lanes = 2

// lane is a queue with a writer of its own. All that a beacon says goes through
// the same one, so that its messages stay in their order and two writers don't
// wait for the same rows.
type lane struct {
	live, records chan *message
}

var seed = maphash.MakeSeed()

func (in *Intake) lane(beacon string) lane {
	return in.lanes[maphash.String(seed, beacon)%lanes]
}

// The bounds of a group, which is one transaction.
const (
	groupLive    = 1000
	groupRecords = 4000
)

// collect waits for a message and takes what else is there, live ones first,
// beacon by beacon. It returns nothing when ctx ends.
func (l lane) collect(ctx context.Context) (group []*message) {
	select {
	case <-ctx.Done():
		return nil
	case m := <-l.live:
		group = append(group, m)
	case m := <-l.records:
		group = append(group, m)
	}
	for len(group) < groupLive && len(l.live) > 0 {
		group = append(group, <-l.live)
	}
	for rows := countRecords(group); rows < groupRecords && len(l.records) > 0; {
		m := <-l.records
		group = append(group, m)
		rows += len(m.reports.Records)
	}
	slices.SortStableFunc(group, func(a, b *message) int { return cmp.Compare(a.address.Beacon, b.address.Beacon) })
	return group
}

func countRecords(group []*message) (n int) {
	for _, m := range group {
		n += len(m.reports.Records)
	}
	return n
}
