package sim

import (
	"errors"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/orders"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// take brings a message to all that listen.
func (all coordinators) take(d *device, p core.Publish) {
	stored := false
	for _, c := range all {
		if !c.alive {
			continue
		}
		switch p.Kind {
		case topic.LeaseRequest:
			c.soon(0, func() { c.answer(p.Payload, d) })
		case topic.Records: // by a shared subscription
			if !stored && c.world.now >= c.paused {
				stored = true
				c.soon(0, func() { c.intake(p.Payload) })
			}
		case topic.Health:
			if !stored && c.world.now >= c.paused {
				stored = true
				c.soon(0, func() { c.listen(p.Payload, d.name) })
			}
		}
	}
}

// answer is dispatch.HandleLeaseRequest.
func (c *coordinator) answer(payload []byte, d *device) {
	t := c.term
	if t == nil {
		return
	}
	asked, _, err := orders.ReadRequest(d.address().Topic(topic.LeaseRequest), payload)
	if err != nil {
		panic(err) // an agent wrote it
	}
	request := orders.Asked(asked)
	db := &c.world.database
	var known lease.Known
	var decision lease.Decision
	err = c.asLeader(t.epoch, func(now time.Time) (func(), error) {
		known = lease.Known{Now: now, HeldKnown: request.Held.IsZero() || db.knows(request.Beacon, request.Held)}
		if row := db.leases[request.Beacon]; row != nil {
			known.Holder = row.holder
		}
		decision = t.writer.Book.Decide(request, known)
		if decision.Twice != "" {
			c.world.oracle.toldOfTwo(request.Beacon)
		}
		return func() {
			if t.writer.Counts(request, decision) {
				db.saveLease(request, known, decision)
			} else {
				db.noteRival(request.Beacon, decision.Holder)
			}
			c.world.oracle.decided(d, request, decision)
		}, nil
	})
	if err != nil {
		if errors.Is(err, errDeposed) {
			c.term = nil
		}
		return
	}
	if t.writer.Granted(request, known, decision) {
		c.confirmed(t, request.Beacon)
	}
	if t.writer.Stuck(request, decision) {
		c.world.reach("a beacon is stuck with its latest orders")
		c.replanSettled(t)
	}
	message, err := orders.Answer(t.epoch, asked, decision)
	if err != nil {
		panic(err) // text that is not UTF-8
	}
	c.send(request.Beacon, topic.Lease, c.world.seal(seal.Lease, request.Beacon, message))
	if decision.Refusal == "" && asked.GetHush().GetEpoch() == 0 {
		c.tellUnhushed(t, request.Beacon)
	}
}

func (db *database) noteRival(beacon string, h lease.Holder) {
	if row := db.leases[beacon]; row != nil {
		row.holder.Rival, row.holder.RivalAt = h.Rival, h.RivalAt
	}
}

func (db *database) saveLease(r lease.Request, known lease.Known, d lease.Decision) {
	row := db.leases[r.Beacon]
	if row == nil {
		row = &leaseRow{}
		db.leases[r.Beacon] = row
	}
	row.holder, row.former = d.Holder, d.Former
	if known.HeldKnown {
		row.held = r.Held
	}
	if d.Refusal == "" && d.Until.After(row.end) {
		row.end = d.Until
	}
}

// confirmed follows from a beacon holding other orders than before.
func (c *coordinator) confirmed(t *term, beacon string) {
	if len(t.withheld) > 0 && !t.released {
		t.released = true
		c.during(gathers, func(t *term) {
			t.released = false
			c.tryWrite(t)
		})
	}
	if t.around[beacon] && t.writer.Book.Held(beacon) == t.writer.Book.Latest(beacon) {
		delete(t.around, beacon)
		c.replanSettled(t)
	}
}

// listen is what the intake does with health: who was heard, and when.
func (c *coordinator) listen(payload []byte, beacon string) {
	var h wirev1.Health
	if proto.Unmarshal(payload, &h) != nil || c.world.database.away {
		return
	}
	if row := c.world.database.leases[beacon]; row != nil && row.holder.Run == h.GetRun() {
		row.holder.Heard = c.databaseTime()
	}
	c.world.oracle.health(beacon, &h)
}

// intake stores records, each once, and says which it has.
func (c *coordinator) intake(payload []byte) {
	db := &c.world.database
	var batch wirev1.RecordBatch
	if err := proto.Unmarshal(payload, &batch); err != nil {
		panic(err) // an agent wrote it
	}
	if db.away {
		return
	}
	receipt := &wirev1.Receipt{Network: batch.GetNetwork(), Beacon: batch.GetBeacon()}
	for _, bytes := range batch.GetRecords() {
		var r wirev1.Record
		if err := proto.Unmarshal(bytes, &r); err != nil {
			panic(err) // as above
		}
		db.store(batch.GetBeacon(), &r, bytes, c.world)
		if n := len(receipt.Ranges); n > 0 && receipt.Ranges[n-1].GetBoot() == r.GetBoot() && receipt.Ranges[n-1].GetLastSeq()+1 == r.GetSeq() {
			receipt.Ranges[n-1].LastSeq++
			continue
		}
		receipt.Ranges = append(receipt.Ranges, &wirev1.ReceiptRange{Boot: r.GetBoot(), FirstSeq: r.GetSeq(), LastSeq: r.GetSeq()})
	}
	message, err := proto.Marshal(receipt)
	if err != nil {
		panic(err)
	}
	c.send(batch.GetBeacon(), topic.Receipts, c.world.seal(seal.Receipt, batch.GetBeacon(), message))
}
