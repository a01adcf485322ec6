package intake

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/broker/brokertest"
	"lamplighter/coordinator/store"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/topic"
)

// What the publishers of the benchmark do, all of it on this machine.
const (
	publishing   = 200
	perPublisher = 500 // records in a round, each a message of its own
	window       = 20  // messages of a publisher that wait for their answer
	recordBytes  = 200
	rounds       = 3 // the median counts
)

// BenchmarkPublishers has 200 agents send records of 200 bytes, each as a
// message of its own with QoS 1 and at most 20 of them unanswered, until the last
// one is stored (Postgres with fsync), answered and covered by a receipt. In the
// same round, just before, the same rows are copied into the same table with a
// plain COPY, 1,000 a commit on one connection: the unit. With the broker in this
// process the ratio to that is reported; with Mosquitto also the ratio to what
// that broker passes on by itself, to a subscriber that stores nothing. Where
// the time goes is told as microseconds of processor for each record: of this
// process (with the embedded broker in it), of the publishers', of Postgres and
// of Mosquitto. On a machine that has other work to do these are what can be
// compared: a share of it makes a COPY, which is one connection's work, slower by
// another measure than all this.
func BenchmarkPublishers(b *testing.B) {
	b.Run("embedded", func(b *testing.B) {
		publishTo(b, nil, func() (broker.Broker, error) {
			return broker.NewEmbedded(broker.EmbeddedOptions{Network: network, Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler), Metrics: prometheus.NewRegistry()})
		})
	})
	b.Run("mosquitto", func(b *testing.B) {
		m := brokertest.StartMosquitto(b)
		publishTo(b, m, func() (broker.Broker, error) {
			return broker.NewExternal(broker.ExternalOptions{Network: network, URL: m.URL(), ClientID: "coordinator-bench", Log: slog.New(slog.DiscardHandler), Metrics: prometheus.NewRegistry()})
		})
	})
}

// publishTo measures one of the two; raw is a broker that can be measured by itself.
func publishTo(b *testing.B, raw *brokertest.Mosquitto, choose func() (broker.Broker, error)) {
	server, s := durable(b)
	if err := s.MakePartitions(b.Context()); err != nil {
		b.Fatal(err)
	}
	through, err := choose()
	if err != nil {
		b.Fatal(err)
	}
	in := intakeOf(b, s, through)
	conn, err := pgx.Connect(b.Context(), server.URL())
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = conn.Close(context.Background()) })
	const rows = publishing * perPublisher
	what := load{
		Address: through.Addr(), Kind: topic.Records, Day: int(time.Now().Unix() / (24 * 60 * 60)),
		Publishers: publishing, Each: perPublisher, Window: window, Receipts: true,
	}
	figures := map[string][]float64{}
	note := func(name string, value float64) { figures[name] = append(figures[name], value) }
	for round := range rounds * b.N {
		what.Round = round + 1
		before := processorTimeOf(b, server.Process())
		unit := rows / copyPlainly(b, in.rules, conn, what, run(1000+round)).Seconds()
		note("COPY/s", unit)
		note("COPY-Postgres-µs", (processorTimeOf(b, server.Process())-before).Seconds()/rows*1e6)
		alone := 0.0
		if raw != nil {
			before := processorTimeOf(b, raw.Process())
			alone = rows / passOn(b, what).Seconds()
			note("alone/s", alone)
			note("alone-broker-µs", (processorTimeOf(b, raw.Process())-before).Seconds()/rows*1e6)
		}
		all := startPublishers(b, what)
		own, database := processorTime(), processorTimeOf(b, server.Process())
		other := time.Duration(0)
		if raw != nil {
			other = processorTimeOf(b, raw.Process())
		}
		began := time.Now()
		used := all.publish(b)
		rate := rows / time.Since(began).Seconds()
		note("records/s", rate)
		note("of-COPY", rate/unit)
		note("own-µs", (processorTime()-own).Seconds()/rows*1e6)
		note("Postgres-µs", (processorTimeOf(b, server.Process())-database).Seconds()/rows*1e6)
		note("publishers-µs", used.CPU.Seconds()/rows*1e6)
		if raw != nil {
			note("of-broker-alone", rate/alone)
			note("broker-µs", (processorTimeOf(b, raw.Process())-other).Seconds()/rows*1e6)
		}
		all.end(b)
	}
	for name, values := range figures {
		b.ReportMetric(median(values), name)
	}
	checkAllStored(b, conn, rows, rounds*b.N)
}

// intakeOf is an intake at work on what comes through a broker.
func intakeOf(b *testing.B, s *store.Store, through broker.Broker) *Intake {
	b.Helper()
	key, err := signer()
	if err != nil {
		b.Fatal(err)
	}
	in := New(Options{
		Store: s, Publisher: through, Signer: key, Network: network, Known: func(string) bool { return true },
		SlotLength: func() slot.Length { return slot.Standard }, Logger: slog.New(slog.DiscardHandler), Metrics: prometheus.NewRegistry(),
	})
	connected := make(chan struct{})
	through.OnConnect(sync.OnceFunc(func() { close(connected) }))
	if err := through.Start(b.Context()); err != nil {
		b.Fatal(err)
	}
	<-connected
	ctx, stop := context.WithCancel(b.Context())
	var running sync.WaitGroup
	running.Go(func() { in.Run(ctx) })
	running.Go(func() {
		for delivery := range through.Deliveries() {
			if err := in.Handle(ctx, delivery); err != nil {
				return
			}
		}
	})
	b.Cleanup(func() { stop(); through.Stop(); running.Wait() })
	return in
}

// checkAllStored looks for what was lost and what is there twice.
func checkAllStored(b *testing.B, conn *pgx.Conn, rows, rounds int) {
	b.Helper()
	for round := range rounds {
		var there, distinct, counted int
		err := conn.QueryRow(b.Context(), `select count(*), count(distinct (beacon, seq)),
			(select sum(upper(r) - lower(r)) from boots, unnest(seqs) r where boot = $1) from records where boot = $1`, run(round+1)).
			Scan(&there, &distinct, &counted)
		if err != nil || there != rows || distinct != rows || counted != rows {
			b.Errorf("round %d: %d rows, %d keys and %d counted, of %d: %v", round+1, there, distinct, counted, rows, err)
		}
	}
}

func median(values []float64) float64 {
	slices.Sort(values)
	return values[len(values)/2]
}

// copyPlainly copies the rows of a round's messages into the table, as of a run of
// their own.
func copyPlainly(b *testing.B, r rules, conn *pgx.Conn, what load, ofRun string) time.Duration {
	b.Helper()
	var rows [][]any
	for p := range what.Publishers {
		for _, payload := range roundOf(what, beaconOf(p)) {
			m := &message{delivery: broker.Delivery{Topic: topicOf(beaconOf(p), topic.Records), Payload: payload}}
			if refusal := r.walk(m); refusal != nil {
				b.Fatal(refusal.Sentence)
			}
			for _, record := range m.reports.Records {
				rows = append(rows, []any{record.RecordedDay, record.Beacon, ofRun, record.Seq, record.Kind, record.DeviceTime, time.Now(), record.Body, record.Digest})
			}
		}
	}
	columns := []string{"recorded_day", "beacon", "boot", "seq", "kind", "device_time", "received_at", "body", "digest"}
	began := time.Now()
	for some := range slices.Chunk(rows, 1000) {
		if _, err := conn.CopyFrom(b.Context(), pgx.Identifier{"records"}, columns, pgx.CopyFromRows(some)); err != nil {
			b.Fatal(err)
		}
	}
	return time.Since(began)
}

// passOn says how long the broker alone takes to bring the messages to one
// subscriber.
func passOn(b *testing.B, what load) time.Duration {
	b.Helper()
	what.Kind, what.Receipts, what.Subscriber = topic.Lease, false, true // a kind that nobody else listens to
	all := startPublishers(b, what)
	defer all.end(b)
	began := time.Now()
	all.publish(b)
	return time.Since(began)
}

// processorTimeOf is what another process has used, with its children, as the
// kernel tells it in hundredths of a second (proc(5)).
func processorTimeOf(b *testing.B, process int) time.Duration {
	b.Helper()
	ticks := 0
	files, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		b.Fatal(err)
	}
	for _, file := range files {
		content, err := os.ReadFile(file)
		if err != nil {
			continue // it has ended
		}
		_, after, _ := strings.Cut(string(content), ") ")
		fields := strings.Fields(after) // from the third field on
		sum := func(from, to int) {
			for _, field := range fields[from:to] {
				n, _ := strconv.Atoi(field)
				ticks += n
			}
		}
		switch {
		case file == fmt.Sprintf("/proc/%d/stat", process):
			sum(11, 15) // with its ended children
		case fields[1] == strconv.Itoa(process):
			sum(11, 13)
		}
	}
	return time.Duration(ticks) * 10 * time.Millisecond
}
