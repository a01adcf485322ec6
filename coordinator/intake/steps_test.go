package intake

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"runtime"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/topic"
)

func TestWhatIsWrongWithAMessageIsSaidCountedAndChangesNothing(t *testing.T) {
	records, healths, presences := topicOf("hilltop-hf", topic.Records), topicOf("hilltop-hf", topic.Health), topicOf("hilltop-hf", topic.Presence)
	health := func(change func(*wirev1.Health)) []byte {
		h := &wirev1.Health{Network: network, Beacon: "hilltop-hf", Run: run(1), LiveSeq: 1}
		change(h)
		return marshal(t, h)
	}
	nan, below := math.NaN(), int64(-1)
	for name, c := range map[string]struct {
		delivery broker.Delivery
		reason   Reason
		says     string
	}{
		"a topic of nobody":     {broker.Delivery{Topic: "weather/today"}, BadTopic, "is not lamplighter/v1/NETWORK/BEACON"},
		"another network":       {broker.Delivery{Topic: "lamplighter/v1/other/hilltop-hf/up/records"}, BadTopic, `looks after \"tern-valley\"`},
		"a lease request":       {broker.Delivery{Topic: topicOf("hilltop-hf", topic.LeaseRequest)}, NotForIntake, "not for the intake"},
		"a stranger":            {broker.Delivery{Topic: topicOf("unknown-1", topic.Records), Payload: []byte{1}}, UnknownBeacon, "add it to the fleet file"},
		"nothing":               {broker.Delivery{Topic: presences, Retained: true}, Empty, "changes nothing"},
		"too much":              {broker.Delivery{Topic: records, Payload: make([]byte, maxPayloadBytes+1)}, TooLarge, "at most 270336 are looked at"},
		"too much health":       {broker.Delivery{Topic: healths, Payload: make([]byte, maxLiveBytes+1)}, TooLarge, "at most 16384"},
		"garbage":               {broker.Delivery{Topic: records, Payload: []byte("garbage!")}, Garbled, "8 bytes from hilltop-hf are no RecordBatch"},
		"another beacon's":      {broker.Delivery{Topic: records, Payload: batch(t, "mill-hf", wireRecord(1, 1))}, WrongIdentity, `says it is of \"mill-hf\"`},
		"retained records":      {broker.Delivery{Topic: records, Payload: batch(t, "hilltop-hf", wireRecord(1, 1)), Retained: true}, WasRetained, "only presence may be"},
		"too many records":      {broker.Delivery{Topic: records, Payload: batch(t, "hilltop-hf", make([]*wirev1.Record, maxRecords+1)...)}, TooMany, "501 records"},
		"health of no run":      {broker.Delivery{Topic: healths, Payload: health(func(h *wirev1.Health) { h.Run = "" })}, BadValue, "32 hexadecimal digits"},
		"an epoch beyond all":   {broker.Delivery{Topic: healths, Payload: health(func(h *wirev1.Health) { h.Orders = &wirev1.OrdersNumber{Epoch: math.MaxUint64} })}, BadValue, "orders.epoch"},
		"a band that is a page": {broker.Delivery{Topic: healths, Payload: health(func(h *wirev1.Health) { h.Band = "<b>" })}, BadValue, "no name"},
		"an error that is NaN":  {broker.Delivery{Topic: healths, Payload: health(func(h *wirev1.Health) { h.FrequencyUncertaintyPpb = &nan })}, BadValue, "no number"},
		"a supply that is NaN":  {broker.Delivery{Topic: healths, Payload: health(func(h *wirev1.Health) { h.SupplyVolts = &nan })}, BadValue, "supply_volts is no number"},
		"a clock reason":        {broker.Delivery{Topic: healths, Payload: health(func(h *wirev1.Health) { h.ClockReason = "No fix" })}, BadValue, "clock_reason"},
		"too many measures": {broker.Delivery{Topic: healths, Payload: health(func(h *wirev1.Health) {
			h.Steadiness = &wirev1.Steadiness{Allan: make([]*wirev1.Measure, 33)}
		})}, BadValue, "at most 32"},
		"a measure below zero": {broker.Delivery{Topic: healths, Payload: health(func(h *wirev1.Health) {
			h.Steadiness = &wirev1.Steadiness{MaxTimeIntervalError: []*wirev1.Measure{{Value: -1}}}
		})}, BadValue, "steadiness is below zero"},
		"an error below zero":   {broker.Delivery{Topic: healths, Payload: health(func(h *wirev1.Health) { h.ClockErrorBoundNs = &below })}, BadValue, "below zero"},
		"presence of no run":    {broker.Delivery{Topic: presences, Payload: marshal(t, &wirev1.Presence{Network: network, Beacon: "hilltop-hf", Run: "x"})}, BadValue, "32 hexadecimal digits"},
		"an endless connection": {broker.Delivery{Topic: presences, Payload: marshal(t, &wirev1.Presence{Network: network, Beacon: "hilltop-hf", Run: run(1), Connection: math.MaxUint64})}, BadValue, "connection is"},
	} {
		b := newBench(t, nil) // no store: it must not come so far
		select {
		case <-b.deliver(t, c.delivery):
		default:
			t.Errorf("%s: it is not dealt with", name)
		}
		if got := b.count(t, "lamplighter_intake_refused_total", map[string]string{"reason": string(c.reason)}); got != 1 {
			t.Errorf("%s: counted %v as %s", name, got, c.reason)
		}
		if said := b.logs.String(); !strings.Contains(said, c.says) || !strings.Contains(said, "a message was refused: ") || b.waiting() != 0 {
			t.Errorf("%s: %d wait, and the log says %s\nwant %s", name, b.waiting(), said, c.says)
		}
	}
}

func TestABadRecordDoesNotHoldUpTheOthers(t *testing.T) {
	b := newBench(t, storetest.New(t))
	b.start(t)
	noBoot, noSeq, endless := wireRecord(1, 2), wireRecord(1, 0), wireRecord(1, math.MaxUint64)
	noBoot.Boot = "Not hexadecimal"
	payload := marshal(t, &wirev1.RecordBatch{Network: network, Beacon: "hilltop-hf", Records: [][]byte{
		marshal(t, wireRecord(1, 1)), []byte("garbage!"), marshal(t, noBoot), marshal(t, noSeq), marshal(t, endless), {}, marshal(t, wireRecord(1, 3)),
	}})
	<-b.bring(t, topicOf("hilltop-hf", topic.Records), payload)
	ranges := (<-b.listener.receipts).GetRanges()
	if len(ranges) != 2 || ranges[0].GetLastSeq() != 1 || ranges[1].GetFirstSeq() != 3 || ranges[1].GetLastSeq() != 3 {
		t.Errorf("receipted: %v", ranges)
	}
	if got := b.count(t, "lamplighter_intake_refused_total", map[string]string{"reason": "bad_record"}); got != 5 {
		t.Errorf("%v bad records counted, want 5", got)
	}
	if want := "record 2 of 7 in a batch of hilltop-hf: 8 bytes that are no record"; !strings.Contains(b.logs.String(), want) {
		t.Errorf("the log says %s\nwant %s", b.logs, want)
	}
}

// What a record says may be strange; it is stored and receipted all the same.
func TestAnyRecordWithAKeyIsStored(t *testing.T) {
	address := storetest.URL(t)
	b := newBench(t, storetest.Open(t, address, store.Options{}))
	b.start(t)
	strange := func(seq uint64, change func(*wirev1.Record)) *wirev1.Record {
		r := wireRecord(1, seq)
		change(r)
		return r
	}
	odd := &wirev1.Outcome{
		Kind: wirev1.OutcomeKind_OUTCOME_KIND_SENT, Transmission: &wirev1.Transmission{Slot: math.MaxInt64, Band: "40m", Message: &wirev1.Message{Callsign: "Q1\x00ABC"}},
	}
	records := []*wirev1.Record{
		strange(1, func(r *wirev1.Record) { r.RecordedDay, r.DeviceUnixUs = math.MaxInt32, math.MaxInt64 }),
		strange(2, func(r *wirev1.Record) { r.RecordedDay, r.DeviceUnixUs = math.MinInt32, math.MinInt64 }),
		strange(3, func(r *wirev1.Record) { r.Body = nil }),
		strange(4, func(r *wirev1.Record) { r.Body = &wirev1.Record_Outcome{Outcome: odd} }),
		strange(5, func(r *wirev1.Record) { r.Body = &wirev1.Record_Outcome{Outcome: &wirev1.Outcome{}} }),
		strange(6, func(r *wirev1.Record) {
			r.Body = &wirev1.Record_Thinned{Thinned: &wirev1.Thinned{Boot: run(1), FirstSeq: 9, LastSeq: 2}}
		}),
		strange(7, func(r *wirev1.Record) {
			r.Body = &wirev1.Record_RunStarted{RunStarted: &wirev1.RunStarted{PreviousBoot: "\x00", Version: "\x00", PreviousLastSeq: math.MaxUint64}}
		}),
	}
	<-b.bring(t, topicOf("hilltop-hf", topic.Records), batch(t, "hilltop-hf", records...))
	ranges := (<-b.listener.receipts).GetRanges()
	if len(ranges) != 1 || ranges[0].GetFirstSeq() != 1 || ranges[0].GetLastSeq() != 7 {
		t.Errorf("receipted: %v", ranges)
	}
	var rows, inDefault, outcomes int
	ask(t, address, `select count(*), count(*) filter (where tableoid = 'records_default'::regclass),
		(select count(*) from outcomes where callsign = 'Q1ABC' and start_at is null) from records`, &rows, &inDefault, &outcomes)
	if rows != 7 || inDefault != 7 || outcomes != 1 {
		t.Errorf("%d rows, %d of them in the default partition, %d outcomes", rows, inDefault, outcomes)
	}
	if got := b.count(t, "lamplighter_intake_opaque_records_total", nil); got != 2 {
		t.Errorf("%v records counted as opaque, want the one without a body and the outcome without a kind", got)
	}
}

// 2026-03-05T12:00:00Z is 1772712000 s of Unix time (date -u -d @1772712000), so
// slot 14772600 of 120 s.
func TestAnOutcomeStartsWithItsSlot(t *testing.T) {
	if got := slotStart(14772600, slot.Standard); got == nil || got.Unix() != 1772712000 {
		t.Errorf("starts at %v", got)
	}
	for _, n := range []int64{math.MinInt64, math.MaxInt64} {
		if got := slotStart(n, slot.Standard); got != nil {
			t.Errorf("slot %d starts at %v", n, got)
		}
	}
}

func TestABrokenAgentDoesNotFillTheLog(t *testing.T) {
	b := newBench(t, nil)
	for range 100 {
		<-b.bring(t, topicOf("hilltop-hf", topic.Records), []byte("garbage!"))
	}
	<-b.bring(t, topicOf("mill-hf", topic.Records), []byte("garbage!"))
	if lines := strings.Count(b.logs.String(), "\n"); lines != 2 {
		t.Errorf("%d lines, want one for each of two agents", lines)
	}
}

// However much garbage comes, of every kind and from every name, nothing of it is
// kept: neither in memory nor, line by line, in the log.
func TestGarbageLeavesNothingBehind(t *testing.T) {
	b := newBench(t, nil)
	large, small := make([]byte, maxPayloadBytes+1), []byte("garbage!")
	held := func() int64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc) //nolint:gosec // far below the limit
	}
	dealt := 0
	bring := func(name string, payload []byte) {
		delivery := broker.Delivery{Topic: name, Payload: bytes.Clone(payload), Done: func() { dealt++ }}
		if err := b.Handle(t.Context(), delivery); err != nil {
			t.Fatal(err)
		}
	}
	before := held()
	const each = 2000
	for i := range each {
		name := fmt.Sprintf("b%d", i)
		for _, kind := range topic.Kinds() {
			bring(topicOf(name, kind), small)
			bring(topicOf("unknown-"+name, kind), small)
		}
		bring(fmt.Sprintf("elsewhere/%d", i), small)
		bring(topicOf("hilltop-hf", topic.Records), large)
	}
	if want := each * (2*len(topic.Kinds()) + 2); dealt != want {
		t.Errorf("%d of %d messages were dealt with", dealt, want)
	}
	if grown := held() - before; grown > 4<<20 {
		t.Errorf("%d bytes are held after %d messages, %d MB in all", grown, dealt, each*len(large)>>20)
	}
	if size := len(b.logs.String()); size > 1<<20 {
		t.Errorf("the log has %d bytes", size)
	}
}

func TestMetricsAreThePublishedOnes(t *testing.T) {
	registry := prometheus.NewPedanticRegistry()
	newMetrics(registry).live.WithLabelValues("health", "taken").Inc()
	families, err := registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	var got bytes.Buffer
	for _, f := range families {
		got.WriteString(f.GetName() + " " + strings.ToLower(f.GetType().String()) + " " + f.GetHelp() + "\n")
	}
	want, err := os.ReadFile("testdata/metrics.golden")
	if err != nil || got.String() != string(want) {
		t.Errorf("%v; the metrics are\n%s", err, got.String())
	}
}

func FuzzSteps(f *testing.F) {
	kinds := []topic.Kind{topic.Records, topic.Health, topic.Presence}
	f.Add(0, batch(f, "hilltop-hf", wireRecord(1, 1), wireRecord(1, 2)))
	f.Add(0, batch(f, "hilltop-hf", &wirev1.Record{Boot: run(1), Seq: 1, Body: &wirev1.Record_Outcome{Outcome: &wirev1.Outcome{Transmission: &wirev1.Transmission{Band: "40m"}, Kind: 1}}}))
	f.Add(1, marshal(f, &wirev1.Health{Network: network, Beacon: "hilltop-hf", Run: run(1), Orders: &wirev1.OrdersNumber{Epoch: 1}}))
	f.Add(2, marshal(f, &wirev1.Presence{Network: network, Beacon: "hilltop-hf", Run: run(1), Online: true}))
	r := rules{network, func(string) bool { return true }, func() slot.Length { return slot.Standard }}
	f.Fuzz(func(t *testing.T, kind int, payload []byte) {
		m := &message{delivery: broker.Delivery{Topic: topicOf("hilltop-hf", kinds[uint(kind)%3]), Payload: payload}}
		if refusal := r.walk(m); refusal != nil {
			if refusal.Sentence == "" {
				t.Fatalf("%s without a sentence", refusal.Reason)
			}
			return
		}
		for _, record := range m.reports.Records {
			if !isRun(record.Boot) || record.Seq < 1 || len(record.Digest) != 32 || record.RecordedDay.Year() < 1 || record.RecordedDay.Year() > 9999 {
				t.Fatalf("%+v", record)
			}
			if o := record.Outcome; o != nil && (o.Kind == "" || o.Band == "" || strings.ContainsRune(o.Callsign+o.Locator+o.Reason, 0)) {
				t.Fatalf("%+v", o)
			}
		}
	})
}
