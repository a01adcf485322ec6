package core_test

import (
	"slices"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

func (w *world) commit(c core.Commit) core.Event {
	d := &w.disk
	if d.full {
		return core.CommitFailed{ID: c.ID, Sentence: "no room"}
	}
	run := w.config().Run
	if d.run != run {
		d.run, d.lastSeq = run, 0
	}
	for _, r := range c.Records {
		d.lastSeq++
		d.position++
		r = proto.CloneOf(r)
		r.Boot, r.Seq = run, d.lastSeq
		raw, err := proto.Marshal(r)
		if err != nil {
			w.t.Fatalf("record: %v", err)
		}
		d.all = append(d.all, r)
		d.stored = append(d.stored, core.Stored{Position: d.position, Key: core.Key{Boot: run, Seq: r.GetSeq()}, Bytes: raw})
	}
	for _, intent := range c.Open {
		d.intents[intent.Slot] = intent.Outcome
	}
	for _, n := range c.Close {
		delete(d.intents, n)
	}
	if string(d.saved.Orders) != string(c.Saved.Orders) {
		var o wirev1.Orders
		w.open(seal.Orders, c.Saved.Orders, &o)
		d.changes = append(d.changes, change{w.now.Wall, &o})
	}
	d.saved = c.Saved
	return core.Committed{ID: c.ID, Room: core.Room{Records: uint64(len(d.stored))}}
}

func (w *world) fetch(f core.Fetch) core.Event {
	answer := core.Fetched{After: f.After}
	for _, s := range w.disk.stored {
		if s.Position <= f.After {
			continue
		}
		if len(answer.Records) == f.MaxRecords {
			answer.More = true
			break
		}
		answer.Records = append(answer.Records, s)
	}
	return answer
}

func (w *world) delete(d core.Delete) core.Event {
	w.disk.stored = slices.DeleteFunc(w.disk.stored, func(s core.Stored) bool {
		for _, r := range d.Ranges {
			if r.GetBoot() == s.Key.Boot && r.GetFirstSeq() <= s.Key.Seq && s.Key.Seq <= r.GetLastSeq() {
				if !w.disk.receipts[s.Key] {
					w.t.Fatalf("record %v was deleted without a receipt", s.Key)
				}
				w.disk.deleted[s.Key] = true
				return true
			}
		}
		return false
	})
	return core.Deleted{Room: core.Room{Records: uint64(len(w.disk.stored))}}
}
