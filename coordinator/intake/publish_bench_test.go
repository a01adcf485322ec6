package intake

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/broker/brokertest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/topic"
)

// What the publishers of the benchmark do, all of it on this machine.
const (
	publishers   = 200
	perPublisher = 150 // records in a round, each a message of its own
	window       = 20  // messages of a publisher that wait for their answer
	queued       = 5   // the same with Mosquitto, which holds 1,000 for a subscriber and drops the rest
	recordBytes  = 200
	rounds       = 3 // the median counts
)

// BenchmarkPublishers has 200 agents send records of 200 bytes, each as a
// message of its own with QoS 1 and at most 20 of them unanswered, until the last
// one is stored (Postgres with fsync) and answered. In the same round, just
// before, the same rows are copied into the same table with a plain COPY, 1,000
// a commit on one connection: the unit. With the broker in this process the ratio
// to that is reported; with Mosquitto also the ratio to what that broker passes
// on by itself, to a subscriber that stores nothing.
func BenchmarkPublishers(b *testing.B) {
	b.Run("embedded", func(b *testing.B) {
		publishTo(b, func(b *testing.B) (broker.Broker, string) {
			through, err := broker.NewEmbedded(broker.EmbeddedOptions{Network: network, Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler), Metrics: prometheus.NewRegistry()})
			if err != nil {
				b.Fatal(err)
			}
			return through, ""
		})
	})
	b.Run("mosquitto", func(b *testing.B) {
		m := brokertest.StartMosquitto(b)
		publishTo(b, func(b *testing.B) (broker.Broker, string) {
			through, err := broker.NewExternal(broker.ExternalOptions{Network: network, URL: m.URL(), ClientID: "coordinator-bench", Log: slog.New(slog.DiscardHandler), Metrics: prometheus.NewRegistry()})
			if err != nil {
				b.Fatal(err)
			}
			return through, m.URL()
		})
	})
}

func publishTo(b *testing.B, choose func(*testing.B) (through broker.Broker, raw string)) {
	server, s := durable(b)
	key, err := signer()
	if err != nil {
		b.Fatal(err)
	}
	through, raw := choose(b)
	in := New(Options{
		Store: s, Publisher: through, Signer: key, Network: network, Known: func(string) bool { return true },
		SlotLength: func() slot.Length { return slot.Standard }, Logger: slog.New(slog.DiscardHandler), Metrics: prometheus.NewRegistry(),
	})
	if err := through.Start(b.Context()); err != nil {
		b.Fatal(err)
	}
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
	address := "tcp://" + through.Addr()
	unanswered := window
	if raw != "" {
		address, unanswered = raw, queued
	}
	conn, err := pgx.Connect(b.Context(), server.URL())
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = conn.Close(context.Background()) })
	rows := float64(publishers * perPublisher)
	var stored, toCopy, toRaw []float64
	for round := range rounds * b.N {
		payloads := roundOf(b, round+1)
		unit := rows / copyPlainly(b, in.rules, conn, payloads, run(1000+round)).Seconds()
		alone := 0.0
		if raw != "" {
			alone = rows / passOn(b, raw, payloads).Seconds()
		}
		before := count(b, conn)
		began := time.Now()
		publish(b, address, topic.Records, payloads, unanswered)
		for count(b, conn) < before+int(rows) { // what the external broker has answered may still be on its way
			if time.Since(began) > 10*time.Minute {
				b.Fatalf("%d of %.0f records are stored", count(b, conn)-before, rows)
			}
		}
		rate := rows / time.Since(began).Seconds()
		stored, toCopy = append(stored, rate), append(toCopy, rate/unit)
		if raw != "" {
			toRaw = append(toRaw, rate/alone)
		}
	}
	b.ReportMetric(median(stored), "records/s")
	b.ReportMetric(median(toCopy), "of-COPY")
	if raw != "" {
		b.ReportMetric(median(toRaw), "of-broker-alone")
	}
	if n := count(b, conn); n != int(rows)*rounds*b.N {
		b.Errorf("%d records are stored of %d", n, int(rows)*rounds*b.N)
	}
}

func median(values []float64) float64 {
	slices.Sort(values)
	return values[len(values)/2]
}

// roundOf makes the messages of each publisher.
func roundOf(b *testing.B, round int) [][][]byte {
	b.Helper()
	sentence := strings.Repeat("x", recordBytes-72) // what stands around it has 72 bytes
	all := make([][][]byte, publishers)
	for p := range all {
		for i := range perPublisher {
			record := wireRecord(round, uint64(i+1))
			record.Body = &wirev1.Record_Event{Event: &wirev1.Event{What: "bench", Sentence: sentence}}
			if size := len(marshal(b, record)); size < recordBytes-10 || size > recordBytes+10 {
				b.Fatalf("a record has %d bytes", size)
			}
			all[p] = append(all[p], batch(b, beaconOf(p), record))
		}
	}
	return all
}

func beaconOf(p int) string { return fmt.Sprintf("b%03d", p) }

// copyPlainly copies the rows of the messages into the table, as of a run of their
// own.
func copyPlainly(b *testing.B, r rules, conn *pgx.Conn, payloads [][][]byte, ofRun string) time.Duration {
	b.Helper()
	var rows [][]any
	for p := range payloads {
		for _, payload := range payloads[p] {
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

func count(b *testing.B, conn *pgx.Conn) (n int) {
	b.Helper()
	if err := conn.QueryRow(b.Context(), "select coalesce(sum(upper(r) - lower(r)), 0) from boots, unnest(seqs) r").Scan(&n); err != nil {
		b.Fatal(err)
	}
	return n
}

// publish sends all messages and returns when the broker has answered each.
func publish(b *testing.B, address string, kind topic.Kind, payloads [][][]byte, window int) {
	b.Helper()
	clients := make([]mqtt.Client, len(payloads))
	for p := range clients {
		clients[p] = connect(b, address, topic.Address{Network: network, Beacon: beaconOf(p)}.ClientID())
	}
	var sending sync.WaitGroup
	for p, client := range clients {
		sending.Go(func() {
			var waiting []mqtt.Token
			for _, payload := range payloads[p] {
				if len(waiting) == window {
					waiting[0].Wait()
					waiting = waiting[1:]
				}
				waiting = append(waiting, client.Publish(topicOf(beaconOf(p), kind), 1, false, payload))
			}
			for _, token := range waiting {
				if token.Wait(); token.Error() != nil {
					b.Error(token.Error())
				}
			}
			client.Disconnect(100)
		})
	}
	sending.Wait()
}

func connect(b *testing.B, address, id string) mqtt.Client {
	b.Helper()
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(address).SetClientID(id).SetAutoReconnect(false).SetKeepAlive(30 * time.Second).SetOrderMatters(false))
	if token := client.Connect(); token.Wait() && token.Error() != nil {
		b.Fatal(token.Error())
	}
	return client
}

// passOn says how long the broker alone takes to bring the messages to one
// subscriber.
func passOn(b *testing.B, address string, payloads [][][]byte) time.Duration {
	b.Helper()
	left := publishers * perPublisher
	all := make(chan struct{})
	subscriber := connect(b, address, "subscriber")
	defer subscriber.Disconnect(100)
	var mu sync.Mutex
	token := subscriber.Subscribe(topic.Every(network, topic.Receptions), 1, func(mqtt.Client, mqtt.Message) {
		mu.Lock()
		defer mu.Unlock()
		if left--; left == 0 {
			close(all)
		}
	})
	if token.Wait() && token.Error() != nil {
		b.Fatal(token.Error())
	}
	began := time.Now()
	publish(b, address, topic.Receptions, payloads, queued) // a kind that is not for the intake
	<-all
	return time.Since(began)
}
