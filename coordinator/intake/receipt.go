package intake

import (
	"context"
	"log/slog"
	"maps"
	"slices"
	"time"

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
)

// sendReceipts tells each beacon which of its records are stored. A broker that
// does not take them in time costs only a repetition.
func (in *Intake) sendReceipts(ctx context.Context, group []*message) {
	ctx, cancel := context.WithTimeout(ctx, receiptsWithin)
	defer cancel()
	for _, receipt := range receipts(in.options.Network, group) {
		payload, err := proto.Marshal(receipt)
		if err == nil {
			err = in.options.Publisher.Publish(ctx, broker.Message{
				Topic:   topic.Address{Network: receipt.GetNetwork(), Beacon: receipt.GetBeacon()}.Topic(topic.Receipts),
				Payload: in.options.Signer.Seal(seal.Receipt, receipt.GetNetwork(), receipt.GetBeacon(), payload),
			})
		}
		if err != nil {
			in.metrics.receipts.WithLabelValues("failed").Inc()
			if in.limiter.allows("receipt", time.Now()) {
				in.logger.Warn("a receipt could not be sent: the records are stored, and the agent will send them again",
					slog.String("beacon", receipt.GetBeacon()), slog.Any("error", err))
			}
			continue
		}
		in.metrics.receipts.WithLabelValues("sent").Inc()
	}
}

// receipts covers all records of a group, beacon by beacon.
func receipts(network string, group []*message) (list []*wirev1.Receipt) {
	seqs := make(map[string]map[string][]int64) // beacon → boot
	for _, m := range group {
		for _, r := range m.reports.Records {
			if seqs[r.Beacon] == nil {
				seqs[r.Beacon] = make(map[string][]int64)
			}
			seqs[r.Beacon][r.Boot] = append(seqs[r.Beacon][r.Boot], r.Seq)
		}
	}
	for _, beacon := range slices.Sorted(maps.Keys(seqs)) {
		var ranges []*wirev1.ReceiptRange
		for _, boot := range slices.Sorted(maps.Keys(seqs[beacon])) {
			for _, r := range store.Ranges(seqs[beacon][boot]) {
				ranges = append(ranges, &wirev1.ReceiptRange{Boot: boot, FirstSeq: uint64(r[0]), LastSeq: uint64(r[1])})
			}
		}
		for part := range slices.Chunk(ranges, maxRanges) {
			list = append(list, &wirev1.Receipt{Network: network, Beacon: beacon, Ranges: part})
		}
	}
	return list
}
