package intake

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"google.golang.org/protobuf/testing/protocmp"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/topic"
)

func TestABatchIsStoredReceiptedAndDealtWith(t *testing.T) {
	address := storetest.URL(t)
	b := newBench(t, storetest.Open(t, address, store.Options{}))
	b.start(t)
	payload := batch(t, "hilltop-hf", wireRecord(1, 1), wireRecord(1, 2), wireRecord(1, 4), wireRecord(2, 1))
	for range 2 { // duplicates are receipted too
		<-b.bring(t, topicOf("hilltop-hf", topic.Records), payload)
		want := &wirev1.Receipt{Network: network, Beacon: "hilltop-hf", Ranges: []*wirev1.ReceiptRange{
			{Boot: run(1), FirstSeq: 1, LastSeq: 2}, {Boot: run(1), FirstSeq: 4, LastSeq: 4}, {Boot: run(2), FirstSeq: 1, LastSeq: 1},
		}}
		if diff := cmp.Diff(want, <-b.listener.receipts, protocmp.Transform()); diff != "" {
			t.Error(diff)
		}
	}
	var rows int
	var body []byte
	ask(t, address, "select count(*), (select body from records where boot like '%1' and seq = 2) from records", &rows, &body)
	if rows != 4 || string(body) != string(marshal(t, wireRecord(1, 2))) {
		t.Errorf("%d rows; the record's bytes are %x", rows, body)
	}
	if stored, duplicate := b.count(t, "lamplighter_intake_records_total", map[string]string{"fate": "stored"}), b.count(t, "lamplighter_intake_records_total", map[string]string{"fate": "duplicate"}); stored != 4 || duplicate != 4 {
		t.Errorf("counted %v stored, %v duplicates", stored, duplicate)
	}
}

// Two intakes share the deliveries, which come twice, in pieces that overlap and
// in any order. Each record must be there once, and receipted.
func TestRedeliveryInAnyOrderToTwoIntakesStoresEachRecordOnce(t *testing.T) {
	address := storetest.URL(t)
	benches := []*bench{newBench(t, storetest.Open(t, address, store.Options{})), newBench(t, storetest.Open(t, address, store.Options{}))}
	for _, b := range benches {
		b.start(t)
	}
	random := rand.New(rand.NewPCG(7, 7))
	type piece struct {
		beacon  string
		payload []byte
	}
	var pieces []piece
	const beacons, runs, length = 3, 2, 120
	for beacon := range beacons {
		for r := range runs {
			for first := uint64(1); first <= length; first += 10 {
				var records []*wirev1.Record
				for seq := first; seq < min(first+25, length+1); seq++ {
					records = append(records, wireRecord(r, seq))
				}
				name := fmt.Sprintf("beacon-%d", beacon)
				pieces = append(pieces, piece{name, batch(t, name, records...)}, piece{name, batch(t, name, records...)})
			}
		}
	}
	random.Shuffle(len(pieces), func(i, j int) { pieces[i], pieces[j] = pieces[j], pieces[i] })
	var dones []<-chan struct{}
	for i, p := range pieces {
		dones = append(dones, benches[i%2].bring(t, topicOf(p.beacon, topic.Records), p.payload))
	}
	for _, done := range dones {
		<-done
	}
	var rows, keys int
	ask(t, address, "select count(*), count(distinct (beacon, boot, seq)) from records", &rows, &keys)
	if want := beacons * runs * length; rows != want || keys != want {
		t.Errorf("%d rows, %d keys, want %d", rows, keys, want)
	}
	receipted := make(map[string]bool)
	for len(receipted) < rows {
		var r *wirev1.Receipt
		select {
		case r = <-benches[0].listener.receipts:
		case r = <-benches[1].listener.receipts:
		case <-time.After(3 * time.Minute):
			t.Fatalf("%d of %d records are receipted", len(receipted), rows)
		}
		for _, piece := range r.GetRanges() {
			for seq := piece.GetFirstSeq(); seq <= piece.GetLastSeq(); seq++ {
				receipted[fmt.Sprint(r.GetBeacon(), piece.GetBoot(), seq)] = true
			}
		}
	}
}

// The commit itself fails, by a trigger that is put off until then: nothing may
// be said until it succeeds, and what is said must be there for others to see.
func TestAReceiptComesOnlyAfterTheCommit(t *testing.T) {
	address := storetest.URL(t)
	ask(t, address, `
		create table refuse (x int);
		insert into refuse values (1);
		create function refuse_commit() returns trigger language plpgsql as
			$$begin if exists (select from refuse) then raise exception 'not now'; end if; return null; end$$;
		create constraint trigger refuse_commit after update on boots deferrable initially deferred
			for each row execute function refuse_commit()`)
	attempts, real := make(chan error, 100), storetest.Open(t, address, store.Options{})
	b := newBench(t, storer(func(ctx context.Context, reports store.Reports) (store.Fates, error) {
		fates, err := real.StoreReports(ctx, reports)
		attempts <- err
		return fates, err
	}))
	b.listener.before = func(r *wirev1.Receipt) error {
		var visible int
		ask(t, address, "select count(*) from records where seq between 1 and 3", &visible)
		if visible != 3 {
			t.Errorf("a receipt for %v, and others see %d records", r, visible)
		}
		return nil
	}
	b.start(t)
	done := b.bring(t, topicOf("hilltop-hf", topic.Records), batch(t, "hilltop-hf", wireRecord(1, 1), wireRecord(1, 2), wireRecord(1, 3)))
	for range 2 {
		var pgErr *pgconn.PgError
		if err := <-attempts; !errors.As(err, &pgErr) || pgErr.Message != "not now" {
			t.Fatalf("the commit: %v", err)
		}
	}
	select {
	case <-done:
		t.Error("dealt with, and nothing was committed")
	case r := <-b.listener.receipts:
		t.Errorf("receipt %v, and nothing was committed", r)
	default:
	}
	ask(t, address, "delete from refuse")
	<-done
	<-b.listener.receipts
	if !strings.Contains(b.logs.String(), "the database takes no reports") {
		t.Errorf("the log says %s", b.logs)
	}
}

type storer func(context.Context, store.Reports) (store.Fates, error)

func (s storer) StoreReports(ctx context.Context, r store.Reports) (store.Fates, error) {
	return s(ctx, r)
}

func TestAReceiptThatCannotBeSentCostsOnlyARepetition(t *testing.T) {
	b := newBench(t, storetest.New(t))
	broken := true
	b.listener.before = func(*wirev1.Receipt) error {
		if broken {
			return errors.New("the broker is away")
		}
		return nil
	}
	b.start(t)
	payload := batch(t, "hilltop-hf", wireRecord(1, 1))
	<-b.bring(t, topicOf("hilltop-hf", topic.Records), payload)
	await(t.Context(), t, "a receipt that counts as failed", func() bool {
		return b.count(t, "lamplighter_intake_receipts_total", map[string]string{"result": "failed"}) == 1
	})
	broken = false // only read by the intake while it deals with a delivery
	<-b.bring(t, topicOf("hilltop-hf", topic.Records), payload)
	<-b.listener.receipts
}

// One beacon's message makes the database refuse the whole group: the others'
// are stored all the same.
func TestAMessageThatTheDatabaseRefusesHoldsNobodyUp(t *testing.T) {
	real := storetest.New(t)
	b := newBench(t, storer(func(ctx context.Context, reports store.Reports) (store.Fates, error) {
		for _, r := range reports.Records {
			if r.Beacon == "poison" {
				return store.Fates{}, &pgconn.PgError{Code: "22021", Message: "invalid byte sequence"}
			}
		}
		return real.StoreReports(ctx, reports)
	}))
	var dones []<-chan struct{}
	for _, beacon := range []string{"hilltop-hf", "poison", "mill-hf"} { // all there before the loop runs: one group
		dones = append(dones, b.bring(t, topicOf(beacon, topic.Records), batch(t, beacon, wireRecord(1, 1))))
	}
	b.start(t)
	for _, done := range dones {
		<-done
	}
	for range 2 {
		if r := <-b.listener.receipts; r.GetBeacon() == "poison" {
			t.Error("a receipt for what was not stored")
		}
	}
	if got := b.count(t, "lamplighter_intake_refused_total", map[string]string{"reason": "not_storable"}); got != 1 {
		t.Errorf("%v messages counted as not storable", got)
	}
}

func TestAFullQueueHoldsDeliveriesBack(t *testing.T) {
	b := newBench(t, storer(func(ctx context.Context, _ store.Reports) (store.Fates, error) {
		<-ctx.Done()
		return store.Fates{}, ctx.Err()
	}))
	delivery := broker.Delivery{
		Topic: topicOf("hilltop-hf", topic.Records), Payload: batch(t, "hilltop-hf", wireRecord(1, 1)),
		Done: func() { t.Error("dealt with, and nothing was stored") },
	}
	for i := range recordsQueue {
		if err := b.Handle(t.Context(), delivery); err != nil {
			t.Fatalf("delivery %d: %v", i, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	result := make(chan error)
	go func() { result <- b.Handle(ctx, delivery) }()
	cancel()
	if err := <-result; !errors.Is(err, context.Canceled) {
		t.Errorf("one more than fits: %v", err)
	}
	ended, stop := context.WithCancel(t.Context())
	stop()
	b.Run(ended)
	records := b.lane("hilltop-hf").records
	for len(records) < cap(records) { // Run may have taken some on its way out
		records <- &message{}
	}
	if err := b.Handle(t.Context(), delivery); !errors.Is(err, ErrEnded) {
		t.Errorf("after the end: %v", err)
	}
}

// However few messages wait, they hold no more bytes than there is room for, and
// what is dealt with makes room.
func TestLargeMessagesWaitForRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in := newBench(t, nil)
		large := &message{kind: topic.Records, lane: &in.lanes[0], delivery: broker.Delivery{Payload: make([]byte, recordsRoom)}}
		small := &message{kind: topic.Records, lane: &in.lanes[0], delivery: broker.Delivery{Payload: make([]byte, 1)}}
		if err := in.waitForRoom(t.Context(), large); err != nil {
			t.Fatal(err)
		}
		came := make(chan error)
		go func() { came <- in.waitForRoom(t.Context(), small) }()
		synctest.Wait()
		select {
		case err := <-came:
			t.Fatalf("a message more than there is room for: %v", err)
		default:
		}
		in.leave(large)
		if err := <-came; err != nil {
			t.Error(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		go func() { came <- in.waitForRoom(ctx, large) }()
		synctest.Wait()
		cancel()
		if err := <-came; !errors.Is(err, context.Canceled) {
			t.Errorf("gave up: %v", err)
		}
		go func() { came <- in.waitForRoom(t.Context(), large) }()
		synctest.Wait()
		close(in.ended)
		if err := <-came; !errors.Is(err, ErrEnded) {
			t.Errorf("after the end: %v", err)
		}
	})
}

func TestAClonedIdentityIsSaidAndKeptAside(t *testing.T) {
	address := storetest.URL(t)
	b := newBench(t, storetest.Open(t, address, store.Options{}))
	b.start(t)
	other := wireRecord(1, 1)
	other.DeviceUnixUs++
	for _, r := range []*wirev1.Record{wireRecord(1, 1), other} {
		<-b.bring(t, topicOf("hilltop-hf", topic.Records), batch(t, "hilltop-hf", r))
		<-b.listener.receipts // for both: both are stored
	}
	var aside int
	ask(t, address, "select count(*) from record_conflicts", &aside)
	if got := b.count(t, "lamplighter_intake_records_total", map[string]string{"fate": "conflict"}); got != 1 || aside != 1 {
		t.Errorf("%v counted, %d kept aside", got, aside)
	}
	if !strings.Contains(b.logs.String(), "cloned identity") {
		t.Errorf("the log says %s", b.logs)
	}
}

func TestLiveMessagesBecomeTheStatus(t *testing.T) {
	s := storetest.New(t)
	b := newBench(t, s)
	b.start(t)
	<-b.bring(t, topicOf("hilltop-hf", topic.Presence), marshal(t, &wirev1.Presence{Network: network, Beacon: "hilltop-hf", Run: run(1), Connection: 1, Online: true}))
	<-b.bring(t, topicOf("hilltop-hf", topic.Health), marshal(t, &wirev1.Health{
		Network: network, Beacon: "hilltop-hf", Run: run(1), LiveSeq: 1, Lock: wirev1.Lock_LOCK_HOLDOVER, MuteReason: "no_lease",
		Orders: &wirev1.OrdersNumber{Epoch: 1772000000, Revision: 3},
	}))
	all, err := s.BeaconStatuses(t.Context())
	if err != nil || len(all) != 1 {
		t.Fatal(all, err)
	}
	got := all[0]
	if !*got.Online || *got.Lock != "holdover" || *got.MuteReason != "no_lease" || *got.OrdersRevision != 3 || got.HushEpoch != nil || got.ClockErrorBoundNs != nil || got.LastSeen == nil {
		t.Errorf("%+v", got)
	}
	if len(b.listener.receipts) != 0 {
		t.Error("a receipt for live messages")
	}
}

func TestSessionsThatAreEndedLoseAndDoubleNothing(t *testing.T) {
	address := storetest.URL(t)
	b := newBench(t, storetest.Open(t, address, store.Options{}))
	b.start(t)
	killer, err := pgx.Connect(t.Context(), address)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = killer.Close(context.Background()) }()
	var dones []<-chan struct{}
	for seq := uint64(1); seq <= 300; seq++ {
		dones = append(dones, b.bring(t, topicOf("hilltop-hf", topic.Records), batch(t, "hilltop-hf", wireRecord(1, seq))))
		if seq%30 == 0 {
			const query = "select count(pg_terminate_backend(pid)) from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()"
			if _, err := killer.Exec(t.Context(), query); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, done := range dones {
		<-done
	}
	var rows, covered int
	ask(t, address, "select count(*), (select (upper(seqs) - 1)::int from boots) from records", &rows, &covered)
	if rows != 300 || covered != 300 {
		t.Errorf("%d rows, highest seq %d", rows, covered)
	}
}
