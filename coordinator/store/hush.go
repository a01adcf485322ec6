package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// HushScope is what a hush silences; an empty field is all.
type HushScope struct{ Site, Beacon, Band string }

// Hush is an order to be silent that is in force.
type Hush struct {
	Hush     int64
	Site     string // with the two below: the scope
	Beacon   string
	Band     string
	Reason   string
	GivenBy  string
	GivenAt  time.Time
	RemindAt *time.Time // nil: never

	Regulator bool     // given on a regulator's word: two people lift it
	LiftedBy  []string // who has agreed to that in the last day
}

// Scope is what it silences.
func (h Hush) Scope() HushScope { return HushScope{h.Site, h.Beacon, h.Band} }

// HushState is all that one beacon is to keep silent.
type HushState struct {
	Beacon        string
	Epoch, Number int64
	Payload       []byte // the message, exact bytes

	Bind []int64 `db:"-"` // hushes that are new to it, where it is being stored
}

const hushColumns = "h.hush, h.site, h.beacon, h.band, h.reason, h.given_by, h.given_at, h.remind_at, h.regulator, " +
	"array(select l.person from hush_liftings l where " + agreed + " order by l.at, l.person) as lifted_by"

// agreed is which agreements to lift a hush count: those of the last day.
const agreed = "l.hush = h.hush and l.at > now() - interval '1 day'"

// Hushes gives the hushes in force, oldest first.
func (s *Store) Hushes(ctx context.Context) ([]Hush, error) {
	rows, err := s.pool.Query(ctx, "select "+hushColumns+" from hushes h where h.released_at is null order by h.hush")
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Hush])
}

// HushStates gives the present state of every beacon that was ever hushed.
func (s *Store) HushStates(ctx context.Context) ([]HushState, error) {
	rows, err := s.pool.Query(ctx, "select beacon, epoch, number, payload from hush_states order by beacon")
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[HushState])
}

// HushTally sums up the hush states of an epoch.
type HushTally struct{ Epoch, Beacons, Numbers int64 }

// HushTallies sums up the present states of all beacons. They tell whether any has
// changed, at far less cost than reading all: the number of a beacon only grows
// within an epoch, and it leaves one for a later one only. So in the latest epoch
// in which anything has changed there are more beacons, or a greater sum.
func (s *Store) HushTallies(ctx context.Context) ([]HushTally, error) {
	rows, err := s.pool.Query(ctx, "select epoch, count(*) as beacons, sum(number)::bigint as numbers from hush_states group by epoch order by epoch")
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[HushTally])
}

// LockHushes makes whoever else changes hushes wait for the end of this
// transaction, and gives those in force. Call it first.
func (tx *LeaderTx) LockHushes(ctx context.Context) ([]Hush, error) {
	if _, err := tx.Exec(ctx, "lock table hushes in share row exclusive mode"); err != nil {
		return nil, err
	}
	rows, err := tx.Query(ctx, "select "+hushColumns+" from hushes h where h.released_at is null order by h.hush")
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Hush])
}

// AddHush stores a hush as given at h.GivenAt, and returns its number.
func (tx *LeaderTx) AddHush(ctx context.Context, h Hush) (hush int64, err error) {
	err = tx.QueryRow(ctx, `
		insert into hushes (epoch, site, beacon, band, reason, given_by, given_at, remind_at, regulator)
		select epoch, $2, $3, $4, $5, $6, $7, $8, $9 from leadership where epoch = $1
		returning hush`, int64(tx.Epoch), h.Site, h.Beacon, h.Band, h.Reason, h.GivenBy, h.GivenAt, h.RemindAt, h.Regulator).Scan(&hush)
	return hush, err
}

// AgreeToLift notes that somebody agrees to end the hushes of a scope that were
// given on a regulator's word.
func (tx *LeaderTx) AgreeToLift(ctx context.Context, scope HushScope, reason, by string) error {
	_, err := tx.Exec(ctx, `
		insert into hush_liftings (hush, person, reason, at)
		select hush, $6, $5, now() from hushes
		where site = $2 and beacon = $3 and band = $4 and released_at is null and regulator
		and exists (select from leadership where epoch = $1)
		on conflict (hush, person) do update set reason = excluded.reason, at = excluded.at`,
		int64(tx.Epoch), scope.Site, scope.Beacon, scope.Band, reason, by)
	return err
}

// ReleaseHushes ends those that were given for exactly this scope, and returns
// their numbers; of those on a regulator's word only what two people have agreed
// to lift.
func (tx *LeaderTx) ReleaseHushes(ctx context.Context, scope HushScope, reason, by string) ([]int64, error) {
	rows, err := tx.Query(ctx, `
		update hushes h set released_at = now(), released_by = $6, release_reason = $5
		where site = $2 and beacon = $3 and band = $4 and released_at is null
		and (not regulator or (select count(*) from hush_liftings l where `+agreed+`) >= 2)
		and exists (select from leadership where epoch = $1)
		returning hush`, int64(tx.Epoch), scope.Site, scope.Beacon, scope.Band, reason, by)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[int64])
}

// HushedBeacons gives the beacons that hushes were bound to, each with the
// numbers of those that are in force.
func (tx *LeaderTx) HushedBeacons(ctx context.Context) (map[string][]int64, error) {
	return hushedBeacons(ctx, tx, "h.released_at is null")
}

// BoundBeacons gives the beacons that these hushes were bound to.
func (tx *LeaderTx) BoundBeacons(ctx context.Context, hushes []int64) (map[string][]int64, error) {
	return hushedBeacons(ctx, tx, "h.hush = any($1)", hushes)
}

func hushedBeacons(ctx context.Context, tx pgx.Tx, condition string, args ...any) (map[string][]int64, error) {
	rows, err := tx.Query(ctx, `
		select b.beacon, b.hush from hush_beacons b join hushes h using (hush)
		where `+condition+" order by b.beacon, b.hush", args...)
	if err != nil {
		return nil, err
	}
	bound := map[string][]int64{}
	var beacon string
	var hush int64
	_, err = pgx.ForEachRow(rows, []any{&beacon, &hush}, func() error {
		bound[beacon] = append(bound[beacon], hush)
		return nil
	})
	return bound, err
}

// NextHushNumbers are the numbers that the next states of beacons have: they
// count from 1 within the leader's epoch. Who is not among them begins.
func (tx *LeaderTx) NextHushNumbers(ctx context.Context, beacons []string) (map[string]int64, error) {
	rows, err := tx.Query(ctx, "select beacon, number + 1 from hush_states where beacon = any($2) and epoch = $1", int64(tx.Epoch), beacons)
	if err != nil {
		return nil, err
	}
	next := make(map[string]int64, len(beacons))
	for _, beacon := range beacons {
		next[beacon] = 1
	}
	var beacon string
	var number int64
	_, err = pgx.ForEachRow(rows, []any{&beacon, &number}, func() error {
		next[beacon] = number
		return nil
	})
	return next, err
}

// SaveHushStates stores the next states of beacons, each named once, and binds
// hushes to them that were not bound before.
func (tx *LeaderTx) SaveHushStates(ctx context.Context, states ...HushState) error {
	n := len(states)
	beacons, numbers, payloads := make([]string, n), make([]int64, n), make([][]byte, n)
	var bound []string
	var at, hushes []int64
	for i, s := range states {
		beacons[i], numbers[i], payloads[i] = s.Beacon, s.Number, s.Payload
		for _, hush := range s.Bind {
			bound, at, hushes = append(bound, s.Beacon), append(at, s.Number), append(hushes, hush)
		}
	}
	err := tx.writeAll(ctx, n, `
		insert into hush_states as old (beacon, epoch, number, stored_at, payload)
		select k.beacon, l.epoch, k.number, now(), k.payload
		from unnest($2::text[], $3::bigint[], $4::bytea[]) as k (beacon, number, payload) cross join leadership l where l.epoch = $1
		on conflict (beacon) do update set epoch = excluded.epoch, number = excluded.number,
			stored_at = excluded.stored_at, payload = excluded.payload
		where (old.epoch, old.number) < (excluded.epoch, excluded.number)`, beacons, numbers, payloads)
	if err != nil || len(bound) == 0 {
		return err
	}
	_, err = tx.Exec(ctx, `
		insert into hush_beacons (hush, beacon, epoch, number)
		select k.hush, k.beacon, l.epoch, k.number
		from unnest($2::text[], $3::bigint[], $4::bigint[]) as k (beacon, number, hush) cross join leadership l where l.epoch = $1
		on conflict do nothing`, int64(tx.Epoch), bound, at, hushes)
	return err
}

// HushConfirmation says how one beacon stands to a hush.
type HushConfirmation struct {
	Beacon      string
	Confirmed   bool       // it said that it is silent under this hush state, or a later one
	ConfirmedAt *time.Time // when it last said so
	LeaseEnd    *time.Time // of the latest lease granted to it; nil: none
}

// HushConfirmations says how each beacon that a hush is bound to stands to it.
func (s *Store) HushConfirmations(ctx context.Context, hush int64) ([]HushConfirmation, error) {
	rows, err := s.pool.Query(ctx, `
		select b.beacon, c.yes as confirmed, case when c.yes then st.health_at end as confirmed_at, l.expires_at as lease_end
		from hush_beacons b
		left join beacon_status st using (beacon)
		left join leases l using (beacon)
		cross join lateral (select coalesce(
			st.hush_silent and (st.hush_epoch, st.hush_number) >= (b.epoch, b.number), false) as yes) c
		where b.hush = $1 order by b.beacon`, hush)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[HushConfirmation])
}

// HushConfirmed gives those of beacons that have confirmed a hush which is bound
// to them, and when they last did. With what has confirmed left out, it can be
// asked for again and again.
func (s *Store) HushConfirmed(ctx context.Context, hush int64, beacons []string) (map[string]time.Time, error) {
	rows, err := s.pool.Query(ctx, `
		select b.beacon, st.health_at from hush_beacons b join beacon_status st using (beacon)
		where b.hush = $1 and b.beacon = any($2) and st.hush_silent and (st.hush_epoch, st.hush_number) >= (b.epoch, b.number)`, hush, beacons)
	if err != nil {
		return nil, err
	}
	confirmed := map[string]time.Time{}
	var beacon string
	var at time.Time
	_, err = pgx.ForEachRow(rows, []any{&beacon, &at}, func() error {
		confirmed[beacon] = at
		return nil
	})
	return confirmed, err
}
