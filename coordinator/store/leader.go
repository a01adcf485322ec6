package store

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"
)

// ErrDeposed says that another coordinator leads by now, and what was to be written
// affected nothing.
var ErrDeposed = errors.New("another coordinator has taken the lead")

// leadershipLock is the key of the advisory lock that the leader's session
// holds: "lamplight" in ASCII, less its last letter.
const leadershipLock = 0x6c616d706c696768

// Election is a session of its own that takes part in the election.
type Election struct {
	conn *pgx.Conn
}

// Election opens a session. The server ends it, and with it the lock, when it
// has asked nothing for a while: its program may hang, and then others have to
// lead.
func (s *Store) Election(ctx context.Context) (*Election, error) {
	conn, err := s.Dedicated(ctx)
	if err != nil {
		return nil, err
	}
	_, err = conn.Exec(ctx, "select set_config('idle_session_timeout', $1, false)", milliseconds(0, silentSession))
	if err != nil {
		return nil, errors.Join(err, conn.Close(ctx))
	}
	return &Election{conn: conn}, nil
}

// Close ends the session, and with it the lead.
func (e *Election) Close(ctx context.Context) error { return e.conn.Close(ctx) }

// TryLock takes the lock if nobody has it.
func (e *Election) TryLock(ctx context.Context) (locked bool, err error) {
	err = e.conn.QueryRow(ctx, "select pg_try_advisory_lock($1)", int64(leadershipLock)).Scan(&locked)
	return locked, err
}

// Holds says whether this session holds the lock.
func (e *Election) Holds(ctx context.Context) (holds bool, err error) {
	err = e.conn.QueryRow(ctx, `
		select exists (
			select from pg_locks
			where locktype = 'advisory' and pid = pg_backend_pid() and granted and objsubid = 1
			and database = (select oid from pg_database where datname = current_database())
			and (classid::bigint << 32 | objid::bigint) = $1
		)`, int64(leadershipLock)).Scan(&holds)
	return holds, err
}

// TakeLead gives the leader its epoch: greater than every earlier one, and not
// less than the seconds of the database's Unix time. It waits for transactions
// of the leader before to end.
func (e *Election) TakeLead(ctx context.Context, holder string) (epoch uint64, err error) {
	var number int64
	err = e.conn.QueryRow(ctx, `
		insert into leadership (epoch, holder, since)
		values (floor(extract(epoch from clock_timestamp()))::bigint, $1, clock_timestamp())
		on conflict (one) do update set
			epoch = greatest(leadership.epoch + 1, excluded.epoch), holder = excluded.holder, since = excluded.since
		returning epoch`, holder).Scan(&number)
	return uint64(number), err
}

// Listen waits on the session's connection until something is wrong with it or
// ctx ends, which is no error.
func (e *Election) Listen(ctx context.Context, atMost time.Duration) error {
	waiting, cancel := context.WithTimeout(ctx, atMost)
	defer cancel()
	_, err := e.conn.WaitForNotification(waiting)
	if waiting.Err() != nil && !e.conn.IsClosed() {
		return nil
	}
	return err
}

// Epoch is that of whoever leads, or led last; 0 where nobody ever did.
func (s *Store) Epoch(ctx context.Context) (epoch uint64, err error) {
	var number int64
	err = s.pool.QueryRow(ctx, "select coalesce(max(epoch), 0) from leadership").Scan(&number)
	return uint64(number), err
}

// LeaderTx is a transaction of the leader.
type LeaderTx struct {
	*Tx
	Epoch uint64
}

// AsLeader runs do in a transaction that holds the leader's row, so that nobody
// takes the lead before it ends; otherwise like InTx. It returns ErrDeposed,
// and do is not run, where epoch is not the leader's.
func (s *Store) AsLeader(ctx context.Context, epoch uint64, do func(ctx context.Context, tx *LeaderTx) error) error {
	return s.inTx(ctx, func(ctx context.Context, tx *Tx) error {
		err := tx.QueryRow(ctx, "select now() from leadership where epoch = $1 for share", int64(epoch)).Scan(&tx.Now)
		if errors.Is(err, pgx.ErrNoRows) {
			return ErrDeposed
		}
		if err != nil {
			return err
		}
		return do(ctx, &LeaderTx{Tx: tx, Epoch: epoch})
	})
}

// write runs a statement that writes a row only while $1 is the leader's epoch.
func (tx *LeaderTx) write(ctx context.Context, sql string, args ...any) error {
	tag, err := tx.Exec(ctx, sql, append([]any{int64(tx.Epoch)}, args...)...)
	if err == nil && tag.RowsAffected() == 0 {
		return ErrDeposed
	}
	return err
}

// writeAll does so for a number of rows, all of them or none.
func (tx *LeaderTx) writeAll(ctx context.Context, rows int, sql string, args ...any) error {
	if rows == 0 {
		return nil
	}
	tag, err := tx.Exec(ctx, sql, append([]any{int64(tx.Epoch)}, args...)...)
	if err == nil && tag.RowsAffected() != int64(rows) {
		return ErrDeposed
	}
	return err
}
