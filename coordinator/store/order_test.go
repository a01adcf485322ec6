package store_test

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
)

// takeLead makes a new leader and returns its epoch.
func takeLead(t *testing.T, s *store.Store) uint64 {
	t.Helper()
	session, err := s.Election(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = session.Close(t.Context()) }()
	epoch, err := session.TakeLead(t.Context(), "test")
	if err != nil {
		t.Fatal(err)
	}
	return epoch
}

func asLeader(t *testing.T, s *store.Store, epoch uint64, do func(ctx context.Context, tx *store.LeaderTx) error) {
	t.Helper()
	if err := s.AsLeader(t.Context(), epoch, do); err != nil {
		t.Fatal(err)
	}
}

// base is the number of a slot that starts two hours ahead.
func base(t *testing.T, s *store.Store) int64 {
	t.Helper()
	now, err := s.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return now.Add(2*time.Hour).Unix() / 120
}

func orderedSlot(n int64, band string) store.OrderedSlot {
	return store.OrderedSlot{
		Slot: n, StartAt: time.Unix(n*120, 0).UTC(), Band: band, FrequencyMillihertz: 7_040_100_000,
		UncertaintyMillihertz: 353, MessageKind: "full", Control: "remote",
	}
}

func saveOrders(t *testing.T, s *store.Store, epoch uint64, revision, from int64, slots ...store.OrderedSlot) {
	t.Helper()
	asLeader(t, s, epoch, func(ctx context.Context, tx *store.LeaderTx) error {
		return tx.SaveOrders(ctx, store.Orders{
			Beacon: "mill-hf", Epoch: int64(epoch), Revision: revision, FromSlot: from, ToSlot: from + 100, Payload: []byte{byte(revision)}, Slots: slots,
		})
	})
}

func confirm(t *testing.T, s *store.Store, epoch uint64, revision int64) {
	t.Helper()
	asLeader(t, s, epoch, func(ctx context.Context, tx *store.LeaderTx) error {
		return tx.ConfirmOrders(ctx, store.Numbered{Beacon: "mill-hf", Epoch: int64(epoch), Revision: revision})
	})
}

func TestASlotStandsFromTheRevisionThatOpensItToTheOneThatClosesIt(t *testing.T) {
	s := storetest.New(t)
	e, n := takeLead(t, s), base(t, s)
	saveOrders(t, s, e, 1, n, orderedSlot(n, "40m"), orderedSlot(n+1, "40m"), orderedSlot(n+2, "40m"))
	saveOrders(t, s, e, 2, n+1, orderedSlot(n+1, "40m"), orderedSlot(n+2, "20m"), orderedSlot(n+3, "40m"))
	epoch, two := int64(e), int64(2)
	standing := func(slot, opened int64, closed *int64, band string) store.StandingSlot {
		x := store.StandingSlot{Beacon: "mill-hf", OpenedEpoch: epoch, OpenedRevision: opened, ClosedRevision: closed, OrderedSlot: orderedSlot(slot, band)}
		if closed != nil {
			x.ClosedEpoch = &epoch
		}
		return x
	}
	want := []store.StandingSlot{
		standing(n, 1, nil, "40m"), // before the second begins: it says nothing of it
		standing(n+1, 1, nil, "40m"),
		standing(n+2, 1, &two, "40m"),
		standing(n+2, 2, nil, "20m"),
		standing(n+3, 2, nil, "40m"),
	}
	got, err := s.StandingSlots(t.Context(), n)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	// What was closed by orders that the beacon holds, nobody obeys any more.
	asLeader(t, s, e, func(ctx context.Context, tx *store.LeaderTx) error {
		return tx.SaveLeases(ctx, store.Lease{Beacon: "mill-hf", Run: "r", BootID: "k", HeardAt: tx.Now, HeldEpoch: epoch, HeldRevision: 2})
	})
	got, err = s.StandingSlots(t.Context(), n+1)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]store.StandingSlot{want[1], want[3], want[4]}, got); diff != "" {
		t.Error(diff)
	}
	// A former kernel may, until its lease is over.
	for after, want := range map[time.Duration][]store.StandingSlot{
		time.Minute: {want[1], want[2], want[3], want[4]}, -time.Minute: {want[1], want[3], want[4]},
	} {
		asLeader(t, s, e, func(ctx context.Context, tx *store.LeaderTx) error {
			until := tx.Now.Add(after)
			return tx.SaveLeases(ctx, store.Lease{
				Beacon: "mill-hf", Run: "r", BootID: "k", HeardAt: tx.Now, HeldEpoch: epoch, HeldRevision: 2,
				FormerHeldEpoch: epoch, FormerHeldRevision: 1, FormerUntil: &until,
			})
		})
		got, err = s.StandingSlots(t.Context(), n+1)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("until %v from now: %s", after, diff)
		}
	}
	latest, err := s.LatestOrders(t.Context())
	if err != nil || len(latest) != 1 || latest[0].Revision != 2 || string(latest[0].Payload) != "\x02" {
		t.Errorf("latest %+v, %v", latest, err)
	}
}

func TestTheEndOfALeaseNeverMovesBack(t *testing.T) {
	s := storetest.New(t)
	e := takeLead(t, s)
	if end, err := s.LeaseEnd(t.Context(), "mill-hf"); err != nil || !end.IsZero() {
		t.Errorf("before any: %v, %v", end, err)
	}
	now, err := s.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	now = now.Truncate(time.Microsecond)
	long, short := now.Add(time.Hour), now.Add(time.Minute)
	for _, until := range []*time.Time{nil, &long, &short, nil} {
		asLeader(t, s, e, func(ctx context.Context, tx *store.LeaderTx) error {
			l := store.Lease{Beacon: "mill-hf", Run: "r", BootID: "k", HeardAt: now, ExpiresAt: until}
			if until != nil {
				l.GrantedAt = &now
			}
			return tx.SaveLeases(ctx, l)
		})
	}
	if end, err := s.LeaseEnd(t.Context(), "mill-hf"); err != nil || !end.Equal(long) {
		t.Errorf("the end is %v, %v; want %v", end, err, long)
	}
	leases, err := s.Leases(t.Context())
	if err != nil || len(leases) != 1 || !leases[0].End().Equal(long) || !leases[0].GrantedAt.Equal(now) {
		t.Errorf("%+v, %v", leases, err)
	}
}

func TestARunCountsAsHeardByWhateverItSays(t *testing.T) {
	s := storetest.New(t)
	e := takeLead(t, s)
	long := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	save := func(run string) {
		asLeader(t, s, e, func(ctx context.Context, tx *store.LeaderTx) error {
			return tx.SaveLeases(ctx, store.Lease{Beacon: "mill-hf", Run: run, BootID: "k", HeardAt: long})
		})
	}
	heard := func() (at time.Time) {
		asLeader(t, s, e, func(ctx context.Context, tx *store.LeaderTx) error {
			l, err := tx.LeasesOf(ctx, "mill-hf")
			if err == nil {
				at = l["mill-hf"].HeardAt
			}
			return err
		})
		return at
	}
	asLeader(t, s, e, func(ctx context.Context, tx *store.LeaderTx) error {
		if l, err := tx.LeasesOf(ctx, "mill-hf"); len(l) > 0 || err != nil {
			t.Errorf("before any: %v, %v", l, err)
		}
		return nil
	})
	storeReports(t, s, store.Reports{Health: []store.Health{{Beacon: "mill-hf", Run: boot(1), LiveSeq: 1}}})
	save(boot(1))
	if !heard().After(long) {
		t.Error("its health does not count")
	}
	save(boot(2))
	if at := heard(); !at.Equal(long) {
		t.Errorf("another run's health counts: %v", at)
	}
}

// S13: a second device that says how it is before it asks for a lease must not
// make the first, which does so all the time and asks seldom, look silent.
func TestTheHolderCountsAsHeardWhenAnotherRunSpeaks(t *testing.T) {
	address := storetest.URL(t)
	s, conn := storetest.Open(t, address, store.Options{}), connect(t, address)
	e := takeLead(t, s)
	lease := func() (l store.Lease) {
		asLeader(t, s, e, func(ctx context.Context, tx *store.LeaderTx) error {
			found, err := tx.LeasesOf(ctx, beacon)
			if err == nil {
				l = *found[beacon]
			}
			return err
		})
		return l
	}
	asLeader(t, s, e, func(ctx context.Context, tx *store.LeaderTx) error {
		return tx.SaveLeases(ctx, store.Lease{Beacon: beacon, Run: boot(1), BootID: "k", HeardAt: tx.Now.Add(-5 * time.Minute)})
	})
	asked := lease().HeardAt
	speak(t, s, health(1, 1))
	first := lease().HeardAt
	if !first.After(asked) {
		t.Fatalf("its own health does not count: %v", first)
	}
	execute(t, conn, "update beacon_status set last_seen = now() - interval '1 minute'") // so that no clock moves what follows
	first = lease().HeardAt
	speak(t, s, presence(2, 1, true), health(2, 1))
	if at := lease().HeardAt; !at.Equal(first) {
		t.Errorf("after another run's words it was heard at %v, want %v", at, first)
	}
	for name, said := range map[string]any{"health": health(1, 2), "presence": presence(1, 2, true)} {
		before := lease().HeardAt
		if v := speak(t, s, said); v[0] != store.StatusOldRun {
			t.Fatalf("%s: %v", name, v)
		}
		if at := lease().HeardAt; !at.After(before) {
			t.Errorf("%s beside the other run does not count: %v, before %v", name, at, before)
		}
	}
	before := lease().HeardAt
	speak(t, s, presence(2, 1, false), presence(1, 2, false), retained(presence(1, 3, true)), health(2, 2), health(3, 1))
	if at := lease().HeardAt; !at.Equal(before) {
		t.Errorf("farewells, what was retained and other runs count: %v, before %v", at, before)
	}
}

// Orders of many beacons are stored together and compared each with its own: the
// same slot of another beacon neither stands for it nor is closed by it.
func TestOrdersOfManyBeaconsAreStoredTogether(t *testing.T) {
	s := storetest.New(t)
	e, n := takeLead(t, s), base(t, s)
	const beacons, slots = 400, 60 // more slots than one statement takes
	write := func(revision int64, offset func(beacon int) int64) {
		var all []store.Orders
		for b := range beacons {
			o := store.Orders{Beacon: fmt.Sprintf("beacon-%03d", b), Epoch: int64(e), Revision: revision, FromSlot: n, ToSlot: n + 1000, Payload: []byte{byte(revision)}}
			for i := range int64(slots) {
				o.Slots = append(o.Slots, orderedSlot(n+10*i+offset(b), "40m"))
			}
			all = append(all, o)
		}
		asLeader(t, s, e, func(ctx context.Context, tx *store.LeaderTx) error { return tx.SaveOrders(ctx, all...) })
	}
	write(1, func(int) int64 { return 0 })
	write(2, func(b int) int64 { return int64(b % 2) }) // every other beacon gets other slots
	standing, err := s.StandingSlots(t.Context(), n)
	if err != nil {
		t.Fatal(err)
	}
	counts := map[[3]bool]int{} // of an even beacon, opened by the first, closed
	for _, slot := range standing {
		even := (slot.Beacon[len(slot.Beacon)-1]-'0')%2 == 0
		counts[[3]bool{even, slot.OpenedRevision == 1, slot.ClosedRevision != nil}]++
	}
	half := beacons / 2 * slots
	want := map[[3]bool]int{{true, true, false}: half, {false, true, true}: half, {false, false, false}: half}
	if !maps.Equal(counts, want) {
		t.Errorf("even beacon, opened by the first, closed: %v, want %v", counts, want)
	}
	latest, err := s.LatestOrders(t.Context())
	if err != nil || len(latest) != beacons || slices.ContainsFunc(latest, func(o store.Orders) bool { return o.Revision != 2 }) {
		t.Errorf("%d latest orders, %v", len(latest), err)
	}
}

// C1: each kind of a leader's write, in a transaction that began before
// another one took the lead, is refused by its own statement too.
func TestEveryWriteOfALeaderCarriesItsEpoch(t *testing.T) {
	s := storetest.New(t)
	e, n := takeLead(t, s), base(t, s)
	for name, write := range map[string]func(ctx context.Context, tx *store.LeaderTx) error{
		"orders": func(ctx context.Context, tx *store.LeaderTx) error {
			return tx.SaveOrders(ctx, store.Orders{Beacon: "x", Epoch: int64(tx.Epoch), Revision: 1, FromSlot: n, ToSlot: n, Payload: []byte{1}, Slots: []store.OrderedSlot{orderedSlot(n, "40m")}})
		},
		"lease": func(ctx context.Context, tx *store.LeaderTx) error {
			return tx.SaveLeases(ctx, store.Lease{Beacon: "x", Run: "r", BootID: "k", HeardAt: tx.Now})
		},
		"hush state": func(ctx context.Context, tx *store.LeaderTx) error {
			return tx.SaveHushStates(ctx, store.HushState{Beacon: "x", Epoch: int64(tx.Epoch), Number: 1, Payload: []byte{1}})
		},
		"hush": func(ctx context.Context, tx *store.LeaderTx) error {
			_, err := tx.AddHush(ctx, store.Hush{Reason: "x"})
			if err != nil {
				return store.ErrDeposed // no row came back
			}
			return nil
		},
		"release": func(ctx context.Context, tx *store.LeaderTx) error {
			ended, err := tx.ReleaseHushes(ctx, store.HushScope{}, "x", "y")
			if err == nil && len(ended) == 0 {
				return store.ErrDeposed
			}
			return err
		},
	} {
		t.Run(name, func(t *testing.T) {
			if name == "release" {
				asLeader(t, s, e, func(ctx context.Context, tx *store.LeaderTx) error {
					_, err := tx.AddHush(ctx, store.Hush{Reason: "x"})
					return err
				})
			}
			err := s.AsLeader(t.Context(), e, func(ctx context.Context, tx *store.LeaderTx) error {
				past := *tx
				past.Epoch-- // as if the row had changed under it
				return write(ctx, &past)
			})
			if !errors.Is(err, store.ErrDeposed) {
				t.Errorf("with an old epoch: %v", err)
			}
			if err := s.AsLeader(t.Context(), e, write); err != nil {
				t.Errorf("with its own: %v", err)
			}
		})
	}
}
