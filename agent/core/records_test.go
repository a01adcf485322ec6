package core_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/topic"
)

// batches are the numbers of the records in each batch that was sent.
func batches(w *world) [][]uint64 {
	var list [][]uint64
	for _, p := range w.published {
		if p.Kind != topic.Records {
			continue
		}
		var b wirev1.RecordBatch
		if err := proto.Unmarshal(p.Payload, &b); err != nil {
			w.t.Fatalf("batch: %v", err)
		}
		var seqs []uint64
		for _, raw := range b.GetRecords() {
			var r wirev1.Record
			if err := proto.Unmarshal(raw, &r); err != nil {
				w.t.Fatalf("record: %v", err)
			}
			seqs = append(seqs, r.GetSeq())
		}
		list = append(list, seqs)
	}
	return list
}

func TestRecordsStayUntilAReceiptCoversThem(t *testing.T) {
	w := running(t)
	w.advance(5 * time.Minute)
	last := w.disk.lastSeq
	if len(w.disk.stored) != int(last) {
		t.Fatalf("%d of %d records are left without a receipt", len(w.disk.stored), last)
	}
	w.receipt(w.disk.run, 1, 3)
	if len(w.disk.stored) != int(last)-3 || w.disk.stored[0].Key.Seq != 4 {
		t.Errorf("after a receipt for three of %d, %d are left", last, len(w.disk.stored))
	}
}

func TestAtMostTwoBatchesAreOnTheirWay(t *testing.T) {
	w := newWorld(t)
	w.start()
	w.advance(12 * time.Hour) // 1,440 samples and more
	w.connect()
	sent := batches(w)
	if len(sent) != 2 || len(sent[0]) != 500 || len(sent[1]) != 500 || sent[0][0] != 1 || sent[1][0] != 501 {
		t.Fatalf("on connecting %d batches went out", len(sent))
	}
	w.receipt(w.disk.run, 1, 499)
	if n := len(batches(w)); n != 2 {
		t.Errorf("a batch went out though two are on their way")
	}
	w.receipt(w.disk.run, 500, 500)
	if sent := batches(w); len(sent) != 3 || sent[2][0] != 1001 {
		t.Errorf("after a receipt for the first, the next did not go out")
	}
}

func TestLiveDataGoesBeforeTheBacklog(t *testing.T) {
	w := newWorld(t)
	w.start()
	w.advance(12 * time.Hour)
	w.connect()
	for _, p := range w.published {
		if p.Kind == topic.Health {
			return
		}
		if p.Kind == topic.Records {
			t.Fatal("a batch went out before the live health")
		}
	}
}

func TestWhatGetsNoReceiptIsSentAgainLessAndLessOften(t *testing.T) {
	w := running(t)
	w.advance(10 * time.Second)
	before := len(batches(w))
	var at []time.Duration
	began := w.now.Boot
	for n := before; w.now.Boot < began+20*time.Minute; w.advance(time.Second) {
		sent := batches(w)
		for _, b := range sent[n:] {
			if b[0] == 1 {
				at = append(at, w.now.Boot-began)
			}
		}
		n = len(sent)
	}
	if len(at) < 5 || len(at) > 12 {
		t.Fatalf("the oldest record was sent again at %v", at)
	}
	if first, last := at[1]-at[0], at[len(at)-1]-at[len(at)-2]; last < 4*first {
		t.Errorf("sent again at %v", at)
	}
}

func TestANewConnectionStartsAgainWithTheOldest(t *testing.T) {
	w := running(t)
	w.advance(time.Minute)
	w.disconnect()
	before := len(batches(w))
	w.advance(time.Minute)
	if len(batches(w)) != before {
		t.Error("records were sent without a link")
	}
	w.connect()
	sent := batches(w)
	if len(sent) != before+1 || sent[before][0] != 1 || len(sent[before]) != int(w.disk.lastSeq) {
		t.Errorf("on connecting again: %v", sent[before:])
	}
}

func TestAnAnswerOfTheDiskFromBeforeAReconnectionIsNotSent(t *testing.T) {
	w := newWorld(t)
	w.start()
	w.advance(12 * time.Hour)
	w.slowDisk = true
	w.connect()
	for len(batches(w)) == 0 { // then the second batch is being fetched
		e := w.waiting[0]
		w.waiting = w.waiting[1:]
		w.step(e)
	}
	w.disconnect()
	w.connect()
	w.slowDisk = false
	w.settle()
	if sent := batches(w); len(sent) != 3 || sent[1][0] != 1 || sent[2][0] != 501 {
		t.Errorf("%d batches, the first after the reconnection from %d on", len(sent), sent[1][0])
	}
}

func TestADeletionThatFailsIsTriedAgain(t *testing.T) {
	w := running(t)
	w.advance(time.Minute)
	w.slowDisk = true
	w.receipt(w.disk.run, 1, 1)
	w.slowDisk = false
	w.waiting = nil // the disk's answer is another one
	w.disk.stored = append([]core.Stored{{Position: 1, Key: core.Key{Boot: w.disk.run, Seq: 1}}}, w.disk.stored...)
	w.step(core.Deleted{Failed: true})
	w.advance(6 * time.Second)
	if w.disk.stored[0].Key.Seq == 1 {
		t.Error("the record is still there")
	}
}

func FuzzMessage(f *testing.F) {
	for kind := range 5 {
		f.Add(kind, []byte("x"), false)
		f.Add(kind, []byte{}, true)
	}
	o, err := proto.Marshal(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(0, o, true)
	kinds := []topic.Kind{topic.Orders, topic.Hush, topic.Lease, topic.Receipts, topic.Health}
	f.Fuzz(func(t *testing.T, kind int, payload []byte, signed bool) {
		if kind < 0 || kind >= len(kinds) {
			return
		}
		w := newWorld(t)
		w.start()
		w.connect()
		if signed { // a coordinator gone mad
			payload = sealedRaw(kinds[kind], payload)
		}
		w.step(core.Message{Kind: kinds[kind], Payload: payload})
		w.advance(3 * time.Second)
		if !signed && len(w.keyer.permits)+len(w.keyer.keyed) > 0 {
			t.Error("an unsigned message keyed")
		}
	})
}
