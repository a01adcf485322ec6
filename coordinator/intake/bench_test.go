package intake

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/topic"
)

// BenchmarkHandle takes batches of 100 records all the way to their receipts,
// and in the same run copies the same rows into the same table with COPY, the
// fastest way that Postgres has; it reports both and their ratio.
func BenchmarkHandle(b *testing.B) {
	const perBatch = 100
	address := storetest.URL(b)
	s := storetest.Open(b, address, store.Options{})
	in := newBench(b, s)
	payloads := make([][]byte, b.N)
	for i := range payloads {
		records := make([]*wirev1.Record, perBatch)
		for j := range records {
			records[j] = wireRecord(1, uint64(i*perBatch+j+1))
		}
		payloads[i] = batch(b, "hilltop-hf", records...)
	}
	dealt := make(chan struct{}, b.N)
	in.listener.receipts = make(chan *wirev1.Receipt, b.N)
	in.start(b)
	b.ResetTimer()
	began := time.Now()
	for _, payload := range payloads {
		delivery := broker.Delivery{Topic: topicOf("hilltop-hf", topic.Records), Payload: payload, Done: func() { dealt <- struct{}{} }}
		if err := in.Handle(context.Background(), delivery); err != nil {
			b.Fatal(err)
		}
	}
	for range b.N {
		<-dealt
	}
	taken := time.Since(began)
	b.StopTimer()
	copied := copyRows(b, in.rules, storetest.URL(b), payloads)
	rows := float64(b.N * perBatch)
	b.ReportMetric(rows/taken.Seconds(), "records/s")
	b.ReportMetric(rows/copied.Seconds(), "copied/s")
	b.ReportMetric(taken.Seconds()/copied.Seconds(), "times-COPY")
}

// copyRows copies the rows of the payloads, in transactions of 4000.
func copyRows(b *testing.B, r rules, address string, payloads [][]byte) time.Duration {
	var rows [][]any
	for _, payload := range payloads {
		m := &message{delivery: broker.Delivery{Topic: topicOf("hilltop-hf", topic.Records), Payload: payload}}
		if refusal := r.walk(m); refusal != nil {
			b.Fatal(refusal.Sentence)
		}
		for _, record := range m.reports.Records {
			rows = append(rows, []any{record.RecordedDay, record.Beacon, record.Boot, record.Seq, record.Kind, record.DeviceTime, time.Now(), record.Body, record.Digest})
		}
	}
	conn, err := pgx.Connect(context.Background(), address)
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	columns := []string{"recorded_day", "beacon", "boot", "seq", "kind", "device_time", "received_at", "body", "digest"}
	began := time.Now()
	for len(rows) > 0 {
		some := rows[:min(groupRecords, len(rows))]
		rows = rows[len(some):]
		if _, err := conn.CopyFrom(context.Background(), pgx.Identifier{"records"}, columns, pgx.CopyFromRows(some)); err != nil {
			b.Fatal(err)
		}
	}
	return time.Since(began)
}
