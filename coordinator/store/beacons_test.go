package store_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

func TestBeaconsShowWhatTheTablesSay(t *testing.T) {
	s := storetest.New(t)
	fleets := store.NewFleets(s)
	if beacons, _, err := s.Beacons(t.Context(), fleets); err != nil || beacons != nil {
		t.Fatalf("without a fleet: %v, %v", beacons, err)
	}
	if _, err := s.ApplyFleet(t.Context(), version("0.1"), 0); err != nil {
		t.Fatal(err)
	}
	show := func() *apiv1.Beacon {
		beacons, now, err := s.Beacons(t.Context(), fleets)
		if err != nil || len(beacons) != 1 || time.Since(now).Abs() > time.Hour {
			t.Fatalf("%v at %v, %v", beacons, now, err)
		}
		return beacons[0]
	}
	if b := show(); b.GetState() != apiv1.BeaconState_BEACON_STATE_NEVER_SEEN || b.NextStart != nil || b.LeaseUntil != nil {
		t.Errorf("before anything: %v", b)
	}

	now, err := s.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	slot := now.Unix() / 120
	onAir, next := slot+1, slot+1 // its clock is a little ahead: the slot that it is in is the next here
	health, err := proto.Marshal(&wirev1.Health{OnAir: true, Band: "40m", Slot: onAir, Orders: &wirev1.OrdersNumber{Epoch: 3, Revision: 2}})
	if err != nil {
		t.Fatal(err)
	}
	run := strings.Repeat("a", 32)
	today, yesterday := now, now.AddDate(0, 0, -1)
	reports := store.Reports{Health: []store.Health{{Beacon: "hilltop-hf", Run: run, LiveSeq: 1, Message: health}}}
	for i, o := range []store.Outcome{
		{StartAt: &today, Kind: "sent"},
		{StartAt: &today, Kind: "aborted"},
		{StartAt: &today, Kind: "skipped"},
		{StartAt: &yesterday, Kind: "sent"},
		{StartAt: nil, Kind: "sent"},
	} {
		o.Band, o.MessageKind, o.Control = "40m", "full", "remote"
		reports.Records = append(reports.Records, store.Record{
			RecordKey: store.RecordKey{Beacon: "hilltop-hf", Boot: run, Seq: int64(i + 1)}, RecordedDay: day,
			Kind: "outcome", Body: []byte{byte(i)}, Digest: []byte{byte(i)}, Outcome: &o,
		})
	}
	storeReports(t, s, reports)
	expires := now.Add(3 * time.Minute).Truncate(time.Microsecond)
	err = s.AsLeader(t.Context(), lead(t, s), func(ctx context.Context, tx *store.LeaderTx) error {
		if err := tx.SaveLeases(ctx, store.Lease{Beacon: "hilltop-hf", Run: run, BootID: "kernel", HeardAt: tx.Now, GrantedAt: &tx.Now, ExpiresAt: &expires}); err != nil {
			return err
		}
		ordered := func(slot, millihertz int64) store.OrderedSlot {
			return store.OrderedSlot{
				Slot: slot, StartAt: time.Unix(120*slot, 0).UTC(), Band: "40m", FrequencyMillihertz: millihertz, MessageKind: "full", Control: "remote",
			}
		}
		return tx.SaveOrders(ctx, store.Orders{
			Beacon: "hilltop-hf", Epoch: int64(tx.Epoch), Revision: 1, FromSlot: slot - 5, ToSlot: slot + 700, Payload: []byte{1},
			Slots: []store.OrderedSlot{ordered(onAir, 7_040_100_250), ordered(slot+4, 7_040_120_000), ordered(slot+9, 7_040_130_000)},
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	b := show()
	if b.GetSentToday() != 1 || b.GetSkippedToday() != 2 {
		t.Errorf("sent %d, skipped %d today; want 1 and 2", b.GetSentToday(), b.GetSkippedToday())
	}
	if !b.GetLeaseUntil().AsTime().Equal(expires) {
		t.Errorf("lease until %v, want %v", b.GetLeaseUntil().AsTime(), expires)
	}
	if b.GetNextStart().AsTime().Unix() != 120*next || b.GetNextBand() != "40m" {
		t.Errorf("next at %v on %s, want slot %d", b.GetNextStart().AsTime(), b.GetNextBand(), next)
	}
	if b.GetState() != apiv1.BeaconState_BEACON_STATE_ON_AIR || b.GetFrequencyHz() != 7_040_100.25 || b.GetOrdersRevision() != "3.2" {
		t.Errorf("%v on %v Hz by orders %s", b.GetState(), b.GetFrequencyHz(), b.GetOrdersRevision())
	}
}
