package sim

import (
	"maps"
	"slices"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// outbox is a model of the agent's database, by what package outbox promises:
// a commit is all or nothing, numbers have no gaps, and what was reported as
// written outlives everything.
type outbox struct {
	run      string // that commits now
	lastSeq  uint64
	previous core.Restored // the latest run that did
	saved    core.Saved
	intents  map[slot.Number]*wirev1.Outcome
	records  []core.Stored
	position int64
}

// open begins a run.
func (o *outbox) open(run string) core.Restored {
	r := o.previous
	r.Saved, r.Records = o.saved, uint64(len(o.records))
	for _, n := range slices.Sorted(maps.Keys(o.intents)) {
		r.Intents = append(r.Intents, core.Intent{Slot: n, Outcome: proto.CloneOf(o.intents[n])})
	}
	o.run, o.lastSeq = run, 0
	return r
}

func (o *outbox) commit(c core.Commit) {
	if o.intents == nil {
		o.intents = map[slot.Number]*wirev1.Outcome{}
	}
	for _, r := range c.Records {
		o.lastSeq++
		o.position++
		r = proto.CloneOf(r)
		r.Boot, r.Seq = o.run, o.lastSeq
		bytes, err := proto.Marshal(r)
		if err != nil {
			panic(err) // text that is not UTF-8
		}
		o.records = append(o.records, core.Stored{Position: o.position, Key: core.Key{Boot: r.GetBoot(), Seq: r.GetSeq()}, Bytes: bytes})
	}
	for _, intent := range c.Open {
		o.intents[intent.Slot] = proto.CloneOf(intent.Outcome)
	}
	for _, n := range c.Close {
		delete(o.intents, n)
	}
	o.saved = c.Saved
	o.previous = core.Restored{PreviousBoot: o.run, PreviousLastSeq: o.lastSeq}
}

func (o *outbox) fetch(f core.Fetch) core.Fetched {
	answer, size := core.Fetched{After: f.After}, 0
	from, _ := slices.BinarySearchFunc(o.records, f.After+1, func(s core.Stored, at int64) int { return int(s.Position - at) })
	for _, s := range o.records[from:] {
		size += len(s.Bytes)
		if len(answer.Records) == f.MaxRecords || size > f.MaxBytes && len(answer.Records) > 0 {
			answer.More = true
			break
		}
		answer.Records = append(answer.Records, s)
	}
	return answer
}

func (o *outbox) delete(ranges []*wirev1.ReceiptRange) {
	o.records = slices.DeleteFunc(o.records, func(s core.Stored) bool {
		return slices.ContainsFunc(ranges, func(r *wirev1.ReceiptRange) bool {
			return r.GetBoot() == s.Key.Boot && r.GetFirstSeq() <= s.Key.Seq && s.Key.Seq <= r.GetLastSeq()
		})
	})
}

func (o *outbox) room() core.Room { return core.Room{Records: uint64(len(o.records))} }
