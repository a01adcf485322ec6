package core

import (
	"time"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

const (
	commitRetry = 5 * time.Second
	// maxWaiting is how many records are kept in memory while nothing can be
	// written, before what is not an outcome is given up: one set of orders.
	maxWaiting = 10_000
)

// journal gathers what is to be written and hands it over one commit at a time.
type journal struct {
	records []*wirev1.Record
	open    []Intent
	close   []slot.Number
	changed bool // whether the saved state differs from what was handed over
	saved   struct{ orders, hush []byte }

	inFlight *Commit
	lastID   uint64
	failing  bool
	retryAt  time.Duration
	room     Room
}

func (j *journal) empty() bool { return j.inFlight == nil && !j.dirty() }

func (j *journal) dirty() bool {
	return len(j.records)+len(j.open)+len(j.close) > 0 || j.changed
}

// record takes a record to be written; time and day are set here, once.
func (c *Core) record(r *wirev1.Record) {
	if c.journal.failing && r.GetOutcome() == nil && len(c.journal.records) >= maxWaiting {
		return
	}
	t := c.now.Wall
	if _, known := c.bound(); known {
		t = t.Add(c.clock.reading.Offset)
	}
	r.DeviceUnixUs = t.UnixMicro()
	r.RecordedDay = day(t)
	c.journal.records = append(c.journal.records, r)
}

// day counts UTC days since 1970-01-01.
func day(t time.Time) int32 { return int32(slot.Length(86400).At(t)) }

// commit hands everything over in one transaction.
func (c *Core) commit() {
	j := &c.journal
	if j.inFlight != nil || !j.dirty() || !c.due(j.retryAt) {
		return
	}
	j.lastID++
	j.inFlight = &Commit{
		ID: j.lastID, Records: j.records, Open: j.open, Close: j.close,
		Saved: Saved{
			Orders: j.saved.orders, Hush: j.saved.hush,
			Accounted: c.slots.accounted, Tally: c.tally, Newer: c.orders.newer,
		},
	}
	j.records, j.open, j.close, j.changed = nil, nil, nil, false
	c.do(*j.inFlight)
}

func (c *Core) committed(e Committed) {
	j := &c.journal
	if j.inFlight == nil || j.inFlight.ID != e.ID {
		return
	}
	done := j.inFlight
	j.inFlight, j.room = nil, e.Room
	if j.failing {
		j.failing = false
		c.do(Log{false, "the outbox can be written again"})
	}
	c.written(done.Saved)
	if len(done.Records) > 0 {
		c.window.more = true
	}
	for _, intent := range done.Open {
		c.permit(intent.Slot)
	}
}

// commitFailed takes everything back. What an intent was for is skipped now;
// all else is tried again.
func (c *Core) commitFailed(e CommitFailed) {
	j := &c.journal
	if j.inFlight == nil || j.inFlight.ID != e.ID {
		return
	}
	failed := j.inFlight
	j.inFlight = nil
	j.records = append(failed.Records, j.records...)
	j.close = append(failed.Close, j.close...)
	j.changed = true
	j.retryAt = c.now.Boot + commitRetry
	if !j.failing {
		j.failing = true
		c.do(Log{true, "the outbox can't be written, so nothing is transmitted: " + e.Sentence})
		c.note("outbox_failed", "", "The outbox could not be written: "+e.Sentence)
	}
	for _, intent := range failed.Open {
		c.finish(intent.Slot, ended{kind: wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED, reason: string(DiskFull)})
	}
}
