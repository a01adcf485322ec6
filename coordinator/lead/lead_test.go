package lead

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"go.uber.org/goleak"

	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
)

func silent() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

// term is one time that a coordinator leads.
type term struct {
	epoch uint64
	ctx   context.Context //nolint:containedctx // the test looks at when it ends
	end   chan error      // what the leader's work returns
}

// campaigner runs a coordinator that takes part until the test ends.
func campaigner(t *testing.T, s *store.Store, name string) (*Leader, <-chan term) {
	t.Helper()
	l := New(s, name, silent())
	terms := make(chan term, 10)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		ended <- l.Run(ctx, func(ctx context.Context, epoch uint64) error {
			this := term{epoch, ctx, make(chan error, 1)}
			terms <- this
			select {
			case <-ctx.Done():
				return ctx.Err()
			case err := <-this.end:
				return err
			}
		})
	}()
	t.Cleanup(func() {
		cancel()
		if err := receive(t, ended); !errors.Is(err, context.Canceled) {
			t.Errorf("Run returned %v", err)
		}
		if l.Epoch() != 0 {
			t.Error("it says that it leads after Run")
		}
	})
	return l, terms
}

func receive[T any](t *testing.T, from <-chan T) (value T) {
	t.Helper()
	select {
	case value = <-from:
	case <-time.After(20 * time.Second):
		t.Fatal("nothing came within 20 s")
	}
	return value
}

func connection(t *testing.T, s *store.Store) *pgx.Conn {
	t.Helper()
	conn, err := s.Dedicated(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.WithoutCancel(t.Context())) })
	return conn
}

// terminate ends the session that holds the lock.
func terminate(t *testing.T, conn *pgx.Conn) {
	t.Helper()
	var ended bool
	err := conn.QueryRow(t.Context(), `
		select bool_and(pg_terminate_backend(pid)) from pg_locks where locktype = 'advisory' and granted
		and database = (select oid from pg_database where datname = current_database())`).Scan(&ended)
	if err != nil || !ended {
		t.Fatalf("terminated: %v, %v", ended, err)
	}
}

func TestOneLeadsAndAnotherFollowsWhenItsSessionIsKilled(t *testing.T) {
	url := storetest.URL(t)
	before := goleak.IgnoreCurrent()
	t.Cleanup(func() { goleak.VerifyNone(t, before) })
	a, b := storetest.Open(t, url, store.Options{}), storetest.Open(t, url, store.Options{})
	first, firstTerms := campaigner(t, a, "first")
	one := receive(t, firstTerms)
	if first.Epoch() != one.epoch {
		t.Errorf("Epoch says %d, and it leads with %d", first.Epoch(), one.epoch)
	}
	second, secondTerms := campaigner(t, b, "second")
	if second.Epoch() != 0 || len(secondTerms) != 0 {
		t.Fatal("two lead")
	}
	terminate(t, connection(t, a))
	receive(t, one.ctx.Done())
	// Whoever is quicker leads now, and only one does.
	var two term
	select {
	case two = <-firstTerms:
	case two = <-secondTerms:
	case <-time.After(20 * time.Second):
		t.Fatal("nobody leads")
	}
	if two.epoch <= one.epoch {
		t.Errorf("epoch %d after %d", two.epoch, one.epoch)
	}
	if (first.Epoch() == 0) == (second.Epoch() == 0) {
		t.Errorf("epochs %d and %d", first.Epoch(), second.Epoch())
	}
}

func TestALeaderWithoutItsLockStops(t *testing.T) {
	s := storetest.New(t)
	_, terms := campaigner(t, s, "one")
	one := receive(t, terms)
	// As behind a pooler that hands the session to others: the connection is
	// well, and the lock is gone. Here by ending the session's lock by hand.
	session, err := s.Election(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = session.Close(context.WithoutCancel(t.Context())) }()
	if holds, err := session.Holds(t.Context()); err != nil || holds {
		t.Fatalf("a second session holds the lock: %v, %v", holds, err)
	}
	if err := guard(t.Context(), session); !errors.Is(err, errNotHeld) {
		t.Errorf("guarding a session without the lock: %v", err)
	}
	if one.ctx.Err() != nil {
		t.Error("the leader stopped too")
	}
}

func TestWorkThatEndsGivesTheLeadBack(t *testing.T) {
	s := storetest.New(t)
	_, terms := campaigner(t, s, "one")
	last := uint64(0)
	for _, err := range []error{errors.New("broken"), nil} {
		this := receive(t, terms)
		if this.epoch <= last {
			t.Errorf("epoch %d after %d", this.epoch, last)
		}
		last = this.epoch
		this.end <- err
		receive(t, this.ctx.Done())
	}
	receive(t, terms)
}

func TestAnEpochOutranksARestoredDatabase(t *testing.T) {
	s := storetest.New(t)
	ctx := t.Context()
	conn := connection(t, s)
	take := func() uint64 {
		session, err := s.Election(ctx)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = session.Close(ctx) }()
		epoch, err := session.TakeLead(ctx, "me")
		if err != nil {
			t.Fatal(err)
		}
		return epoch
	}
	now, err := s.Now(ctx)
	if err != nil {
		t.Fatal(err)
	}
	first := take()
	if first < uint64(now.Unix()) || first > uint64(now.Unix())+60 {
		t.Errorf("first epoch %d at %d", first, now.Unix())
	}
	if second := take(); second <= first {
		t.Errorf("%d after %d", second, first)
	}
	for stored, want := range map[int64]func(uint64) bool{
		5:                func(e uint64) bool { return e >= first },                    // a backup of long ago
		now.Unix() + 1e6: func(e uint64) bool { return e == uint64(now.Unix())+1e6+1 }, // a clock that ran ahead
	} {
		if _, err := conn.Exec(ctx, "update leadership set epoch = $1", stored); err != nil {
			t.Fatal(err)
		}
		if epoch := take(); !want(epoch) {
			t.Errorf("epoch %d after %d was stored", epoch, stored)
		}
	}
}

// C1: a deposed leader's write affects zero rows, also when it was under way
// when the new leader came.
func TestADeposedLeaderWritesNothing(t *testing.T) {
	s := storetest.New(t)
	ctx := t.Context()
	session, err := s.Election(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = session.Close(ctx) }()
	old, err := session.TakeLead(ctx, "old")
	if err != nil {
		t.Fatal(err)
	}
	lease := store.Lease{Beacon: "mill-hf", Run: "r", BootID: "k"}
	inside, proceed, done := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	go func() {
		done <- s.AsLeader(ctx, old, func(ctx context.Context, tx *store.LeaderTx) error {
			close(inside)
			<-proceed
			lease.HeardAt = tx.Now
			return tx.SaveLeases(ctx, lease)
		})
	}()
	receive(t, inside)
	taken := make(chan uint64, 1)
	go func() {
		epoch, err := session.TakeLead(ctx, "new")
		if err != nil {
			t.Error(err)
		}
		taken <- epoch
	}()
	waitingFor(t, connection(t, s), "leadership")
	close(proceed)
	if err := receive(t, done); err != nil {
		t.Errorf("what began before the new leader: %v", err)
	}
	receive(t, taken)
	err = s.AsLeader(ctx, old, func(context.Context, *store.LeaderTx) error {
		t.Error("a deposed leader's work was begun")
		return nil
	})
	if !errors.Is(err, store.ErrDeposed) {
		t.Errorf("got %v", err)
	}
	leases, err := s.Leases(ctx)
	if err != nil || len(leases) != 1 {
		t.Errorf("%d leases, %v: the first and nothing else was to be stored", len(leases), err)
	}
}

// waitingFor returns when a statement on a table waits for a lock.
func waitingFor(t *testing.T, conn *pgx.Conn, table string) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); {
		var waiting bool
		err := conn.QueryRow(t.Context(), `select exists (select from pg_stat_activity
			where wait_event_type = 'Lock' and query like '%' || $1 || '%' and datname = current_database())`, table).Scan(&waiting)
		if err != nil {
			t.Fatal(err)
		}
		if waiting {
			return
		}
	}
	t.Fatal("nothing waits")
}
