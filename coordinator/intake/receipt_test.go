package intake

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/coordinator/store"
)

// A beacon that says much gets a receipt once in a while, and the last one as soon
// as nothing more waits to be stored.
func TestReceiptsAreApartUntilNothingMoreWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, nil)
		ctx, end := context.WithCancel(t.Context())
		d := &due{bell: make(chan struct{}, 1), rest: make(chan struct{}, 1)}
		go b.sendReceipts(ctx, d)
		seq := int64(0)
		stored := func() {
			seq++
			m := &message{}
			m.reports.Records = []store.Record{{RecordKey: store.RecordKey{Beacon: "hilltop-hf", Boot: run(1), Seq: seq}}}
			d.add([]*message{m})
		}
		expect := func(what string, first int64, after time.Duration) {
			t.Helper()
			began := time.Now()
			r := (<-b.listener.receipts).GetRanges()[0]
			if took := time.Since(began); took != after || r.GetFirstSeq() != uint64(first) || r.GetLastSeq() != uint64(seq) {
				t.Errorf("%s: %v after %s, want from %d on after %s", what, r, took, first, after)
			}
			synctest.Wait()
		}
		stored()
		expect("the first", 1, 0)
		stored()
		stored()
		expect("those of a while", 2, receiptsApart)
		stored()
		ring(d.rest)
		expect("the last", 4, 0)
		end()
	})
}
