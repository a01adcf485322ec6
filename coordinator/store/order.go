package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// Orders are what one beacon is to do, as they were written.
type Orders struct {
	Beacon           string
	Epoch, Revision  int64
	FromSlot, ToSlot int64         // ToSlot is exclusive
	Payload          []byte        // the message, exact bytes
	Slots            []OrderedSlot `db:"-"`
}

// OrderedSlot is one transmission of a beacon's orders.
type OrderedSlot struct {
	Slot                  int64
	StartAt               time.Time // of the slot
	Band                  string
	FrequencyMillihertz   int64
	UncertaintyMillihertz int64
	MessageKind           string // full, extended
	Control               string // local, remote, automatic
}

// StandingSlot is an ordered slot with the revisions in which it stands: from
// the one that opened it up to, not including, the one that closed it.
type StandingSlot struct {
	Beacon                      string
	OpenedEpoch, OpenedRevision int64
	ClosedEpoch, ClosedRevision *int64 // nil: it stands in the latest
	OrderedSlot
}

// mostSlotsAtOnce is about how many slots are stored in one statement.
const mostSlotsAtOnce = 20_000

// SaveOrders stores the next orders of beacons, each named once, opens the slots
// that are new in them, and closes those from FromSlot on that are missing or
// changed.
func (tx *LeaderTx) SaveOrders(ctx context.Context, all ...Orders) error {
	for begin := 0; begin < len(all); {
		end, slots := begin, 0
		for ; end < len(all) && slots < mostSlotsAtOnce; end++ {
			slots += len(all[end].Slots)
		}
		if err := tx.saveOrders(ctx, all[begin:end]); err != nil {
			return err
		}
		begin = end
	}
	return nil
}

func (tx *LeaderTx) saveOrders(ctx context.Context, some []Orders) error {
	n := len(some)
	beacons, revisions, from, to, payloads := make([]string, n), make([]int64, n), make([]int64, n), make([]int64, n), make([][]byte, n)
	for i, o := range some {
		if o.Epoch != int64(tx.Epoch) {
			return fmt.Errorf("orders of epoch %d can't be written by the leader of epoch %d", o.Epoch, tx.Epoch)
		}
		beacons[i], revisions[i], from[i], to[i], payloads[i] = o.Beacon, o.Revision, o.FromSlot, o.ToSlot, o.Payload
	}
	_, err := tx.Exec(ctx, `
		update orders set payload = null
		where beacon = any($2) and payload is not null and exists (select from leadership where epoch = $1)`, int64(tx.Epoch), beacons)
	if err != nil {
		return err
	}
	err = tx.writeAll(ctx, n, `
		insert into orders (beacon, epoch, revision, issued_at, from_slot, to_slot, payload)
		select k.beacon, l.epoch, k.revision, now(), k.from_slot, k.to_slot, k.payload
		from unnest($2::text[], $3::bigint[], $4::bigint[], $5::bigint[], $6::bytea[]) as k (beacon, revision, from_slot, to_slot, payload)
		cross join leadership l where l.epoch = $1`,
		beacons, revisions, from, to, payloads)
	if err != nil {
		return err
	}
	return tx.saveSlots(ctx, some, beacons, revisions, from)
}

// What was ordered just now the planner of statements knows nothing of, and it
// would compare each slot with each: thousands of each.
const (
	withHashes    = "set local enable_nestloop = off"
	asIsCustomary = "set local enable_nestloop to default"
)

// saveSlots compares what is ordered with what stood before.
func (tx *LeaderTx) saveSlots(ctx context.Context, some []Orders, beacons []string, revisions, from []int64) error {
	if _, err := tx.Exec(ctx, withHashes); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `
		with written as (
			select * from unnest($2::text[], $3::bigint[], $4::bigint[]) as w (beacon, revision, from_slot)
		), ordered as (
			select * from unnest($5::text[], $6::bigint[], $7::bigint[], $8::timestamptz[], $9::text[], $10::bigint[], $11::bigint[], $12::text[], $13::text[])
				as o (beacon, revision, slot, start_at, band, frequency_millihertz, uncertainty_millihertz, message_kind, control)
		), closed as (
			update order_slots s set closed_epoch = l.epoch, closed_revision = w.revision, closed_at = now()
			from leadership l, written w
			where l.epoch = $1 and s.beacon = w.beacon and s.slot >= w.from_slot and s.closed_epoch is null and not exists (
				select from ordered o where o.beacon = s.beacon and o.slot = s.slot
				and (o.band, o.frequency_millihertz, o.uncertainty_millihertz, o.message_kind, o.control)
					= (s.band, s.frequency_millihertz, s.uncertainty_millihertz, s.message_kind, s.control))
		)
		insert into order_slots (beacon, slot, start_at, opened_epoch, opened_revision,
			band, frequency_millihertz, uncertainty_millihertz, message_kind, control)
		select o.beacon, o.slot, o.start_at, l.epoch, o.revision, o.band, o.frequency_millihertz, o.uncertainty_millihertz, o.message_kind, o.control
		from ordered o cross join leadership l
		where l.epoch = $1 and not exists (
			select from order_slots s where s.beacon = o.beacon and s.slot = o.slot and s.closed_epoch is null
			and (o.band, o.frequency_millihertz, o.uncertainty_millihertz, o.message_kind, o.control)
				= (s.band, s.frequency_millihertz, s.uncertainty_millihertz, s.message_kind, s.control))`,
		append([]any{int64(tx.Epoch), beacons, revisions, from}, orderedColumns(some)...)...)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, asIsCustomary)
	return err
}

// orderedColumns turns the slots of orders into one array for each column.
func orderedColumns(some []Orders) []any {
	var beacons, bands, kinds, controls []string
	var revisions, numbers, frequencies, uncertainties []int64
	var starts []time.Time
	for _, o := range some {
		for _, s := range o.Slots {
			beacons, revisions, numbers, starts = append(beacons, o.Beacon), append(revisions, o.Revision), append(numbers, s.Slot), append(starts, s.StartAt)
			bands, frequencies, uncertainties = append(bands, s.Band), append(frequencies, s.FrequencyMillihertz), append(uncertainties, s.UncertaintyMillihertz)
			kinds, controls = append(kinds, s.MessageKind), append(controls, s.Control)
		}
	}
	return []any{beacons, revisions, numbers, starts, bands, frequencies, uncertainties, kinds, controls}
}

// LatestOrders gives the latest orders of every beacon, without their slots.
func (s *Store) LatestOrders(ctx context.Context) ([]Orders, error) {
	rows, err := s.pool.Query(ctx, `
		select distinct on (beacon) beacon, epoch, revision, from_slot, to_slot, payload
		from orders where payload is not null order by beacon, epoch desc, revision desc`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Orders])
}

// StandingSlots gives the slots from a number on that stand in the latest
// orders of a beacon, or that it or a former kernel may still hold because it has
// not confirmed orders without them.
func (s *Store) StandingSlots(ctx context.Context, from int64) ([]StandingSlot, error) {
	rows, err := s.pool.Query(ctx, `
		select s.beacon, s.opened_epoch, s.opened_revision, s.closed_epoch, s.closed_revision, s.slot, s.start_at,
			s.band, s.frequency_millihertz, s.uncertainty_millihertz, s.message_kind, s.control
		from order_slots s left join leases l using (beacon)
		where s.slot >= $1 and s.start_at > now() - interval '1 day' and (s.closed_epoch is null
			or (s.closed_epoch, s.closed_revision) > (coalesce(l.held_epoch, 0), coalesce(l.held_revision, 0))
			or l.former_until > now() and (s.closed_epoch, s.closed_revision) > (l.former_held_epoch, l.former_held_revision))
		order by s.beacon, s.slot, s.opened_epoch, s.opened_revision`, from)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[StandingSlot])
}
