package core

import (
	"time"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/planted"
	"lamplighter/proto/topic"
)

const (
	batchRecords = 500
	batchBytes   = 200 << 10 // of records, so that a batch stays below 256 KiB
	maxInFlight  = 2         // batches without a receipt
	maxRanges    = 1000      // in one receipt
	maxDeleting  = 10_000    // ranges that wait to be deleted; beyond, they come again
	sendAgain    = 10 * time.Second
	sendAgainMax = 5 * time.Minute
)

// window is what of the outbox is on its way. Records go out oldest first, at
// most maxInFlight batches at a time; what gets no receipt is sent again from
// the oldest on.
type window struct {
	cursor   int64 // everything up to this position was sent
	more     bool  // whether there may be records behind it
	fetching bool
	stale    bool // whether the fetch under way was overtaken by a reset
	batches  []batch
	progress time.Duration // when something was last sent or received
	attempts int

	receipts []*wirev1.ReceiptRange // what is to be deleted
	deleting []*wirev1.ReceiptRange // what is being deleted
	retryAt  time.Duration
	fetchAt  time.Duration // not before
}

type batch map[Key]struct{}

// reset forgets what is on its way, so that it is sent again.
func (w *window) reset() {
	w.cursor, w.more, w.batches, w.stale = 0, true, nil, w.fetching
}

func (w *window) received(ranges []*wirev1.ReceiptRange, now time.Duration) {
	if len(w.receipts)+len(ranges) <= maxDeleting {
		w.receipts = append(w.receipts, ranges...)
	}
	kept := w.batches[:0]
	for _, b := range w.batches {
		for key := range b {
			if within(ranges, key) {
				delete(b, key)
				w.progress, w.attempts = now, 0
			}
		}
		if len(b) > 0 {
			kept = append(kept, b)
		}
	}
	w.batches = kept
}

func within(ranges []*wirev1.ReceiptRange, key Key) bool {
	for _, r := range ranges {
		if r.GetBoot() == key.Boot && r.GetFirstSeq() <= key.Seq && key.Seq <= r.GetLastSeq() {
			return true
		}
	}
	return false
}

// sendRecords keeps the window full and sends again what got no receipt.
func (c *Core) sendRecords() {
	w := &c.window
	if !c.linkUp {
		return
	}
	if len(w.batches) > 0 && !planted.Is("L records are sent once") && c.due(w.progress+min(sendAgain<<min(w.attempts, 6), sendAgainMax)) {
		w.attempts++
		w.reset()
	}
	if w.fetching || !w.more || len(w.batches) >= maxInFlight || !c.due(w.fetchAt) {
		return
	}
	w.fetching, w.more = true, false
	c.do(Fetch{After: w.cursor, MaxRecords: batchRecords, MaxBytes: batchBytes})
}

func (c *Core) fetched(e Fetched) {
	w := &c.window
	w.fetching = false
	if w.stale || !c.linkUp {
		w.stale, w.more = false, true
		return
	}
	w.more = w.more || e.More
	if len(e.Records) == 0 {
		return
	}
	message := &wirev1.RecordBatch{Network: c.config.Address.Network, Beacon: c.config.Address.Beacon}
	keys := batch{}
	for _, r := range e.Records {
		message.Records = append(message.Records, r.Bytes)
		keys[r.Key] = struct{}{}
		w.cursor = max(w.cursor, r.Position)
	}
	w.batches = append(w.batches, keys)
	w.progress = c.now.Boot
	c.publish(topic.Records, message)
}

func (c *Core) fetchFailed(e FetchFailed) {
	w := &c.window
	w.fetching, w.stale, w.more = false, false, true
	w.fetchAt = c.now.Boot + commitRetry
	c.note("outbox_unreadable", "", "The outbox could not be read: "+e.Sentence)
}

// deleteReceived removes what the coordinator has.
func (c *Core) deleteReceived() {
	w := &c.window
	if w.deleting != nil || len(w.receipts) == 0 || !c.due(w.retryAt) {
		return
	}
	w.deleting, w.receipts = w.receipts, nil
	c.do(Delete{Ranges: w.deleting})
}

// deleted takes note of the room; what could not be deleted is tried again.
func (c *Core) deleted(e Deleted) {
	w := &c.window
	if e.Failed {
		w.receipts = append(w.deleting, w.receipts...)
		w.retryAt = c.now.Boot + commitRetry
	} else {
		c.journal.room = e.Room
	}
	w.deleting = nil
}
