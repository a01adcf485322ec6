package store

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"
)

// Lease is what a beacon said last when it asked for a lease, and the latest
// end of any that it was granted. Times are the database's.
type Lease struct {
	Beacon                  string
	Run                     string  // 32 hexadecimal digits
	FormerRun               *string // the run before it
	BootID                  string  `db:"boot_id"`
	HeardAt                 time.Time
	RivalBootID             *string    `db:"rival_boot_id"` // of another kernel that asked meanwhile
	RivalAt                 *time.Time // when that asked first
	HeldEpoch, HeldRevision int64      // the orders that it holds; zeros: none
	GrantedAt, ExpiresAt    *time.Time // nil: it never had one

	// What a kernel before this one may still obey: orders from a number on, until
	// a time; nil: nothing.
	FormerHeldEpoch, FormerHeldRevision int64
	FormerUntil                         *time.Time
}

// End is when the latest lease ends; zero: it never had one.
func (l *Lease) End() time.Time {
	if l == nil || l.ExpiresAt == nil {
		return time.Time{}
	}
	return *l.ExpiresAt
}

const leaseColumns = "l.beacon, l.run, l.former_run, l.boot_id, l.heard_at, l.rival_boot_id, l.rival_at, l.held_epoch, l.held_revision, l.granted_at, l.expires_at, l.former_held_epoch, l.former_held_revision, l.former_until"

// Leases gives those of every beacon that ever asked.
func (s *Store) Leases(ctx context.Context) ([]Lease, error) {
	rows, err := s.pool.Query(ctx, "select "+leaseColumns+" from leases l order by l.beacon")
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Lease])
}

// LeaseEnd is the end of the latest lease granted to a beacon; zero: it never
// had one.
func (s *Store) LeaseEnd(ctx context.Context, beacon string) (time.Time, error) {
	var end *time.Time
	err := s.pool.QueryRow(ctx, "select expires_at from leases where beacon = $1", beacon).Scan(&end)
	if errors.Is(err, pgx.ErrNoRows) || err == nil && end == nil {
		return time.Time{}, nil
	}
	if err != nil {
		return time.Time{}, err
	}
	return *end, nil
}

// Lease gives that of one beacon; nil: it never asked. HeardAt counts whatever
// else its run said.
func (tx *LeaderTx) Lease(ctx context.Context, beacon string) (*Lease, error) {
	var l Lease
	err := tx.QueryRow(ctx, `
		select l.beacon, l.run, l.former_run, l.boot_id,
			greatest(l.heard_at, (select b.last_seen from beacon_status b where b.beacon = l.beacon and b.run = l.run)),
			l.rival_boot_id, l.rival_at, l.held_epoch, l.held_revision, l.granted_at, l.expires_at
		from leases l where l.beacon = $1 for update`, beacon).
		Scan(&l.Beacon, &l.Run, &l.FormerRun, &l.BootID, &l.HeardAt, &l.RivalBootID, &l.RivalAt, &l.HeldEpoch, &l.HeldRevision, &l.GrantedAt, &l.ExpiresAt)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return &l, nil
}

// SaveLease stores what a beacon said, and the lease that it is about to be
// sent. The end of a lease never moves back.
func (tx *LeaderTx) SaveLease(ctx context.Context, l Lease) error {
	return tx.write(ctx, `
		insert into leases as old (beacon, epoch, run, former_run, boot_id, heard_at, rival_boot_id, rival_at, held_epoch, held_revision, granted_at, expires_at,
			former_held_epoch, former_held_revision, former_until)
		select $2, epoch, $3, $4, $5, $6, $11, $12, $7, $8, $9, $10, $13, $14, $15 from leadership where epoch = $1
		on conflict (beacon) do update set
			epoch = excluded.epoch, run = excluded.run, former_run = excluded.former_run, boot_id = excluded.boot_id,
			heard_at = excluded.heard_at, rival_boot_id = excluded.rival_boot_id, rival_at = excluded.rival_at, held_epoch = excluded.held_epoch, held_revision = excluded.held_revision,
			granted_at = coalesce(excluded.granted_at, old.granted_at),
			expires_at = greatest(excluded.expires_at, old.expires_at),
			former_held_epoch = excluded.former_held_epoch, former_held_revision = excluded.former_held_revision, former_until = excluded.former_until`,
		l.Beacon, l.Run, l.FormerRun, l.BootID, l.HeardAt, l.HeldEpoch, l.HeldRevision, l.GrantedAt, l.ExpiresAt, l.RivalBootID, l.RivalAt,
		l.FormerHeldEpoch, l.FormerHeldRevision, l.FormerUntil)
}

// NoteRival stores that another kernel asked beside the run that holds a
// beacon's identity; nothing else of a lease changes.
func (tx *LeaderTx) NoteRival(ctx context.Context, l Lease) error {
	return tx.write(ctx, `
		update leases set rival_boot_id = $3, rival_at = $4
		where beacon = $2 and exists (select from leadership where epoch = $1)`, l.Beacon, l.RivalBootID, l.RivalAt)
}

// KnowsOrders says whether orders were ever written for a beacon.
func (tx *LeaderTx) KnowsOrders(ctx context.Context, beacon string, epoch, revision int64) (known bool, err error) {
	err = tx.QueryRow(ctx, "select exists (select from orders where beacon = $1 and epoch = $2 and revision = $3)",
		beacon, epoch, revision).Scan(&known)
	return known, err
}

// ConfirmOrders notes that a beacon holds orders on its disk. The first time
// counts.
func (tx *LeaderTx) ConfirmOrders(ctx context.Context, beacon string, epoch, revision int64) error {
	_, err := tx.Exec(ctx, `
		update orders set confirmed_at = now()
		where beacon = $2 and epoch = $3 and revision = $4 and confirmed_at is null
		and exists (select from leadership where epoch = $1)`, int64(tx.Epoch), beacon, epoch, revision)
	return err
}
