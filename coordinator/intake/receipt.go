package intake

import (
	"cmp"
	"context"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/store"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

const (
	maxRanges      = 1000
	receiptsWithin = 5 * time.Second
	receiptsAtOnce = 64
	receiptsApart  = 500 * time.Millisecond
)

// due is what receipts are to be sent for.
type due struct {
	mu   sync.Mutex
	seqs map[store.Run][]int64
	bell chan struct{} // there is something
	rest chan struct{} // nothing more waits to be stored
}

func ring(bell chan struct{}) {
	select {
	case bell <- struct{}{}:
	default:
	}
}

func (d *due) add(group []*message) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.seqs == nil {
		d.seqs = make(map[store.Run][]int64)
	}
	for _, m := range group {
		for i := range m.reports.Records {
			r := &m.reports.Records[i]
			run := store.Run{Beacon: r.Beacon, Boot: r.Boot}
			d.seqs[run] = append(d.seqs[run], r.Seq)
		}
	}
	ring(d.bell)
}

func (d *due) take() map[store.Run][]int64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	seqs := d.seqs
	d.seqs = nil
	return seqs
}

// sendReceipts sends what is due, at once when there was nothing for a while or
// nothing more waits to be stored. A beacon that has much to say gets one receipt
// for what was stored meanwhile: each one is signed, which costs as much as taking
// in some records, and costs a broker outside as much as a record.
func (in *Intake) sendReceipts(ctx context.Context, d *due) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-d.bell:
		}
		apart := time.After(receiptsApart)
		in.sendEach(ctx, receipts(in.options.Network, d.take()))
		select {
		case <-ctx.Done():
			return
		case <-apart:
		case <-d.rest:
		}
	}
}

// sendEach sends several at a time, because a broker outside takes its time for
// each. A broker that does not take them in time costs only a repetition.
func (in *Intake) sendEach(ctx context.Context, list []*wirev1.Receipt) {
	ctx, cancel := context.WithTimeout(ctx, receiptsWithin)
	defer cancel()
	var sending errgroup.Group
	sending.SetLimit(receiptsAtOnce)
	for _, receipt := range list {
		sending.Go(func() error { in.sendReceipt(ctx, receipt); return nil })
	}
	_ = sending.Wait() // none is an error
}

func (in *Intake) sendReceipt(ctx context.Context, receipt *wirev1.Receipt) {
	payload, err := proto.Marshal(receipt)
	if err == nil {
		err = in.options.Publisher.Publish(ctx, broker.Message{
			Topic:   topic.Address{Network: receipt.GetNetwork(), Beacon: receipt.GetBeacon()}.Topic(topic.Receipts),
			Payload: in.options.Signer.Seal(seal.Receipt, receipt.GetNetwork(), receipt.GetBeacon(), payload),
		})
	}
	if err == nil {
		in.metrics.receipts.WithLabelValues("sent").Inc()
		return
	}
	in.metrics.receipts.WithLabelValues("failed").Inc()
	if in.limiter.allows("receipt", time.Now()) {
		in.logger.Warn("a receipt could not be sent: the records are stored, and the agent will send them again",
			slog.String("beacon", receipt.GetBeacon()), slog.Any("error", err))
	}
}

// receipts covers all that is due, beacon by beacon.
func receipts(network string, seqs map[store.Run][]int64) (list []*wirev1.Receipt) {
	ranges := make(map[string][]*wirev1.ReceiptRange)
	for run, stored := range seqs {
		for _, r := range store.Ranges(stored) {
			ranges[run.Beacon] = append(ranges[run.Beacon], &wirev1.ReceiptRange{Boot: run.Boot, FirstSeq: uint64(r[0]), LastSeq: uint64(r[1])})
		}
	}
	for _, beacon := range slices.Sorted(maps.Keys(ranges)) {
		slices.SortStableFunc(ranges[beacon], func(a, b *wirev1.ReceiptRange) int { return cmp.Compare(a.GetBoot(), b.GetBoot()) })
		for part := range slices.Chunk(ranges[beacon], maxRanges) {
			list = append(list, &wirev1.Receipt{Network: network, Beacon: beacon, Ranges: part})
		}
	}
	return list
}
