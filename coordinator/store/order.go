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

// SaveOrders stores the next orders of a beacon, opens the slots that are new
// in them, and closes those from FromSlot on that are missing or changed.
func (tx *LeaderTx) SaveOrders(ctx context.Context, o Orders) error {
	if o.Epoch != int64(tx.Epoch) {
		return fmt.Errorf("orders of epoch %d can't be written by the leader of epoch %d", o.Epoch, tx.Epoch)
	}
	_, err := tx.Exec(ctx, `
		update orders set payload = null
		where beacon = $2 and payload is not null and exists (select from leadership where epoch = $1)`, o.Epoch, o.Beacon)
	if err != nil {
		return err
	}
	err = tx.write(ctx, `
		insert into orders (beacon, epoch, revision, issued_at, from_slot, to_slot, payload)
		select $2, epoch, $3, now(), $4, $5, $6 from leadership where epoch = $1`,
		o.Beacon, o.Revision, o.FromSlot, o.ToSlot, o.Payload)
	if err != nil {
		return err
	}
	return tx.saveSlots(ctx, o)
}

// saveSlots compares what is ordered with what stood before.
func (tx *LeaderTx) saveSlots(ctx context.Context, o Orders) error {
	columns := newSlotColumns(o.Slots)
	_, err := tx.Exec(ctx, `
		with ordered as (
			select * from unnest($5::bigint[], $6::timestamptz[], $7::text[], $8::bigint[], $9::bigint[], $10::text[], $11::text[])
				as o (slot, start_at, band, frequency_millihertz, uncertainty_millihertz, message_kind, control)
		), closed as (
			update order_slots s set closed_epoch = l.epoch, closed_revision = $3, closed_at = now()
			from leadership l
			where l.epoch = $1 and s.beacon = $2 and s.slot >= $4 and s.closed_epoch is null and not exists (
				select from ordered o where o.slot = s.slot
				and (o.band, o.frequency_millihertz, o.uncertainty_millihertz, o.message_kind, o.control)
					= (s.band, s.frequency_millihertz, s.uncertainty_millihertz, s.message_kind, s.control))
		)
		insert into order_slots (beacon, slot, start_at, opened_epoch, opened_revision,
			band, frequency_millihertz, uncertainty_millihertz, message_kind, control)
		select $2, o.slot, o.start_at, l.epoch, $3, o.band, o.frequency_millihertz, o.uncertainty_millihertz, o.message_kind, o.control
		from ordered o cross join leadership l
		where l.epoch = $1 and not exists (
			select from order_slots s where s.beacon = $2 and s.slot = o.slot and s.closed_epoch is null
			and (o.band, o.frequency_millihertz, o.uncertainty_millihertz, o.message_kind, o.control)
				= (s.band, s.frequency_millihertz, s.uncertainty_millihertz, s.message_kind, s.control))`,
		append([]any{o.Epoch, o.Beacon, o.Revision, o.FromSlot}, columns...)...)
	return err
}

// newSlotColumns turns slots into one array for each column.
func newSlotColumns(slots []OrderedSlot) []any {
	n := len(slots)
	numbers, starts, bands := make([]int64, n), make([]time.Time, n), make([]string, n)
	frequencies, uncertainties := make([]int64, n), make([]int64, n)
	kinds, controls := make([]string, n), make([]string, n)
	for i, s := range slots {
		numbers[i], starts[i], bands[i] = s.Slot, s.StartAt, s.Band
		frequencies[i], uncertainties[i] = s.FrequencyMillihertz, s.UncertaintyMillihertz
		kinds[i], controls[i] = s.MessageKind, s.Control
	}
	return []any{numbers, starts, bands, frequencies, uncertainties, kinds, controls}
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
