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

// LeasesOf gives those of beacons, each of which is named once, and keeps others
// from changing them; who never asked has none. HeardAt counts whatever else the
// run said, and is never too early.
func (tx *LeaderTx) LeasesOf(ctx context.Context, beacons ...string) (map[string]*Lease, error) {
	rows, err := tx.Query(ctx, `
		select l.beacon, l.run, l.former_run, l.boot_id,
			greatest(l.heard_at, (select least(now(), b.last_seen + $2::interval) from beacon_status b where b.beacon = l.beacon and b.run = l.run)),
			l.rival_boot_id, l.rival_at, l.held_epoch, l.held_revision, l.granted_at, l.expires_at
		from leases l where l.beacon = any($1) order by l.beacon collate "C" for update`, beacons, heardWithin)
	if err != nil {
		return nil, err
	}
	found := make(map[string]*Lease, len(beacons))
	var l Lease
	_, err = pgx.ForEachRow(rows, []any{&l.Beacon, &l.Run, &l.FormerRun, &l.BootID, &l.HeardAt, &l.RivalBootID, &l.RivalAt, &l.HeldEpoch, &l.HeldRevision, &l.GrantedAt, &l.ExpiresAt}, func() error {
		one := l
		found[l.Beacon] = &one
		return nil
	})
	return found, err
}

// SaveLeases stores what beacons said, each of them once, and the leases that
// they are about to be sent. The end of a lease never moves back.
func (tx *LeaderTx) SaveLeases(ctx context.Context, leases ...Lease) error {
	n := len(leases)
	beacons, runs, kernels, formerRuns, rivals := make([]string, n), make([]string, n), make([]string, n), make([]*string, n), make([]*string, n)
	heard, rivalAt, granted, expires, formerUntil := make([]time.Time, n), make([]*time.Time, n), make([]*time.Time, n), make([]*time.Time, n), make([]*time.Time, n)
	heldEpochs, heldRevisions, formerEpochs, formerRevisions := make([]int64, n), make([]int64, n), make([]int64, n), make([]int64, n)
	for i, l := range leases {
		beacons[i], runs[i], kernels[i], formerRuns[i], rivals[i] = l.Beacon, l.Run, l.BootID, l.FormerRun, l.RivalBootID
		heard[i], rivalAt[i], granted[i], expires[i], formerUntil[i] = l.HeardAt, l.RivalAt, l.GrantedAt, l.ExpiresAt, l.FormerUntil
		heldEpochs[i], heldRevisions[i], formerEpochs[i], formerRevisions[i] = l.HeldEpoch, l.HeldRevision, l.FormerHeldEpoch, l.FormerHeldRevision
	}
	return tx.writeAll(ctx, n, `
		insert into leases as old (beacon, epoch, run, former_run, boot_id, heard_at, rival_boot_id, rival_at, held_epoch, held_revision, granted_at, expires_at,
			former_held_epoch, former_held_revision, former_until)
		select k.beacon, l.epoch, k.run, k.former_run, k.boot_id, k.heard_at, k.rival_boot_id, k.rival_at, k.held_epoch, k.held_revision, k.granted_at, k.expires_at,
			k.former_held_epoch, k.former_held_revision, k.former_until
		from unnest($2::text[], $3::text[], $4::text[], $5::text[], $6::timestamptz[], $7::text[], $8::timestamptz[], $9::bigint[], $10::bigint[], $11::timestamptz[], $12::timestamptz[],
			$13::bigint[], $14::bigint[], $15::timestamptz[])
			as k (beacon, run, former_run, boot_id, heard_at, rival_boot_id, rival_at, held_epoch, held_revision, granted_at, expires_at,
			former_held_epoch, former_held_revision, former_until)
		cross join leadership l where l.epoch = $1
		on conflict (beacon) do update set
			epoch = excluded.epoch, run = excluded.run, former_run = excluded.former_run, boot_id = excluded.boot_id,
			heard_at = excluded.heard_at, rival_boot_id = excluded.rival_boot_id, rival_at = excluded.rival_at, held_epoch = excluded.held_epoch, held_revision = excluded.held_revision,
			granted_at = coalesce(excluded.granted_at, old.granted_at),
			expires_at = greatest(excluded.expires_at, old.expires_at),
			former_held_epoch = excluded.former_held_epoch, former_held_revision = excluded.former_held_revision, former_until = excluded.former_until`,
		beacons, runs, formerRuns, kernels, heard, rivals, rivalAt, heldEpochs, heldRevisions, granted, expires,
		formerEpochs, formerRevisions, formerUntil)
}

// NoteRival stores that another kernel asked beside the run that holds a
// beacon's identity; nothing else of a lease changes.
func (tx *LeaderTx) NoteRival(ctx context.Context, l Lease) error {
	return tx.write(ctx, `
		update leases set rival_boot_id = $3, rival_at = $4
		where beacon = $2 and exists (select from leadership where epoch = $1)`, l.Beacon, l.RivalBootID, l.RivalAt)
}

// Numbered names orders by beacon, epoch and revision.
type Numbered struct {
	Beacon          string
	Epoch, Revision int64
}

func numberedColumns(orders []Numbered) []any {
	beacons, epochs, revisions := make([]string, len(orders)), make([]int64, len(orders)), make([]int64, len(orders))
	for i, o := range orders {
		beacons[i], epochs[i], revisions[i] = o.Beacon, o.Epoch, o.Revision
	}
	return []any{beacons, epochs, revisions}
}

// KnownOrders says which of these were ever written.
func (tx *LeaderTx) KnownOrders(ctx context.Context, asked ...Numbered) (map[Numbered]bool, error) {
	known := make(map[Numbered]bool, len(asked))
	if len(asked) == 0 {
		return known, nil
	}
	rows, err := tx.Query(ctx, `
		select o.beacon, o.epoch, o.revision from orders o
		join unnest($1::text[], $2::bigint[], $3::bigint[]) as k (beacon, epoch, revision) using (beacon, epoch, revision)`, numberedColumns(asked)...)
	if err != nil {
		return nil, err
	}
	var n Numbered
	_, err = pgx.ForEachRow(rows, []any{&n.Beacon, &n.Epoch, &n.Revision}, func() error {
		known[n] = true
		return nil
	})
	return known, err
}

// ConfirmOrders notes that beacons hold orders on their disks. The first time
// counts.
func (tx *LeaderTx) ConfirmOrders(ctx context.Context, held ...Numbered) error {
	if len(held) == 0 {
		return nil
	}
	_, err := tx.Exec(ctx, `
		update orders o set confirmed_at = now()
		from unnest($2::text[], $3::bigint[], $4::bigint[]) as k (beacon, epoch, revision)
		where o.beacon = k.beacon and o.epoch = k.epoch and o.revision = k.revision and o.confirmed_at is null
		and exists (select from leadership where epoch = $1)`, append([]any{int64(tx.Epoch)}, numberedColumns(held)...)...)
	return err
}
