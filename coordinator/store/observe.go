package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/alert"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// Observed is what the database knows of beacons, by name. It is read by as many
// statements for ten thousand beacons as for one.
type Observed map[string]*alert.Beacon

func (o Observed) of(beacon string) *alert.Beacon {
	if o[beacon] == nil {
		o[beacon] = &alert.Beacon{}
	}
	return o[beacon]
}

// each runs a statement and hands each row's beacon to take.
func (s *Store) each(ctx context.Context, o Observed, into []any, take func(b *alert.Beacon), sql string, args ...any) error {
	rows, err := s.pool.Query(ctx, sql, args...)
	if err != nil {
		return err
	}
	var name string
	_, err = pgx.ForEachRow(rows, append([]any{&name}, into...), func() error {
		take(o.of(name))
		return nil
	})
	return err
}

// ObserveNow reads what changes from one moment to the next: how beacons are,
// until when their leases run, and which are spoken for by two devices. What was
// observed before is read no second time where it is the same; nil: nothing was.
func (s *Store) ObserveNow(ctx context.Context, before Observed) (Observed, error) {
	o := make(Observed, len(before))
	if err := s.observeStatus(ctx, o, before); err != nil {
		return nil, err
	}
	var from, until time.Time
	err := s.each(ctx, o, []any{&from, &until}, func(b *alert.Beacon) { b.LeaseGranted, b.LeaseUntil = from, until },
		"select beacon, granted_at, expires_at from leases where granted_at is not null and expires_at is not null")
	if err != nil {
		return nil, err
	}
	return o, s.observeClones(ctx, o)
}

// observeStatus reads how beacons are, as they said last. Most have said nothing
// new since a moment ago.
func (s *Store) observeStatus(ctx context.Context, o, before Observed) error {
	var seen, at *time.Time
	var changed []string
	err := s.each(ctx, o, []any{&seen, &at}, func(b *alert.Beacon) {
		if seen != nil {
			b.LastSeen = *seen
		}
		if at != nil {
			b.HealthAt = *at
		}
	}, "select beacon, last_seen, health_at from beacon_status")
	if err != nil {
		return err
	}
	for name, b := range o {
		known := before[name]
		switch {
		case b.HealthAt.IsZero():
		case known != nil && known.Health != nil && known.HealthAt.Equal(b.HealthAt):
			b.Health = known.Health
		default:
			b.HealthAt = time.Time{} // until it is read
			changed = append(changed, name)
		}
	}
	return s.observeHealth(ctx, o, changed)
}

// observeHealth reads what beacons said last.
func (s *Store) observeHealth(ctx context.Context, o Observed, beacons []string) error {
	if len(beacons) == 0 {
		return nil
	}
	rows, err := s.pool.Query(ctx, "select beacon, health_at, health from beacon_status where beacon = any($1) and health_at is not null", beacons)
	if err != nil {
		return err
	}
	var name string
	var at time.Time
	var health []byte
	_, err = pgx.ForEachRow(rows, []any{&name, &at, (*pgtype.DriverBytes)(&health)}, func() error {
		b := o.of(name)
		b.Health, b.HealthAt = &wirev1.Health{}, at
		return proto.Unmarshal(health, b.Health)
	})
	return err
}

// ObserveHistory reads what takes longer to come about and to read: it is enough
// to do so once a minute.
func (s *Store) ObserveHistory(ctx context.Context) (Observed, error) {
	o := Observed{}
	for _, read := range []func(context.Context, Observed) error{
		s.observeOrders, s.observeMissed, s.observeStrays, s.observeRecords, s.observeDevices,
	} {
		if err := read(ctx, o); err != nil {
			return nil, err
		}
	}
	return o, nil
}

// observeOrders finds the beacons that hold older orders than the latest, and
// since when.
func (s *Store) observeOrders(ctx context.Context, o Observed) error {
	var since time.Time
	return s.each(ctx, o, []any{&since}, func(b *alert.Beacon) { b.OrdersSince = since }, `
		select beacon, min(issued_at) from (
			select k.beacon, k.issued_at, coalesce((k.epoch, k.revision) > (held.epoch, held.revision), true) as ahead
			from orders k
			left join lateral (select epoch, revision from orders c where c.beacon = k.beacon and c.confirmed_at is not null
				order by epoch desc, revision desc limit 1) held on true
			where k.issued_at > now() - interval '2 days' and k.confirmed_at is null
		) open where ahead group by beacon`)
}

// observeMissed counts the latest slots in a row of six hours that were not
// sent, but for those that were to be silent.
func (s *Store) observeMissed(ctx context.Context, o Observed) error {
	var missed int
	var reason string
	return s.each(ctx, o, []any{&missed, &reason}, func(b *alert.Beacon) { b.Missed, b.MissedReason = missed, reason }, `
		select o.beacon, count(*), (array_agg(o.reason order by o.slot desc))[1] from outcomes o
		left join (select beacon, max(slot) as slot from outcomes
			where start_at > now() - interval '6 hours' and kind = 'sent' group by beacon) sent using (beacon)
		where o.start_at > now() - interval '6 hours' and o.kind <> 'sent' and o.reason not in ('hushed', 'withdrawn', 'operator_absent')
		and o.slot > coalesce(sent.slot, -1) group by o.beacon`)
}

// observeStrays finds transmissions that no order ever covered. What an agent
// did under orders that were changed meanwhile is covered by those.
func (s *Store) observeStrays(ctx context.Context, o Observed) error {
	var at time.Time
	var band string
	var millihertz int64
	return s.each(ctx, o, []any{&at, &band, &millihertz}, func(b *alert.Beacon) {
		b.OffPlan = &alert.Stray{At: at, Band: band, Hz: float64(millihertz) / 1000}
	}, `
		select distinct on (o.beacon) o.beacon, coalesce(o.keyed_at, o.start_at), o.band, o.frequency_millihertz from outcomes o
		where o.received_at > now() - interval '1 hour' and o.start_at > now() - interval '8 days' and o.kind in ('sent', 'aborted') and o.keyed_at is not null
		and not exists (select from order_slots k where k.beacon = o.beacon and k.slot = o.slot and k.band = o.band
			and k.frequency_millihertz = o.frequency_millihertz and (k.opened_epoch, k.opened_revision) <= (o.epoch, o.revision)
			and (k.closed_epoch is null or (o.epoch, o.revision) < (k.closed_epoch, k.closed_revision)))
		order by o.beacon, o.slot desc`)
}

// observeRecords finds records that are missing, and those that came twice with
// different contents.
func (s *Store) observeRecords(ctx context.Context, o Observed) error {
	var missing int64
	err := s.each(ctx, o, []any{&missing}, func(b *alert.Beacon) { b.MissingFrom = missing },
		"select beacon, sum(last_seq - first_seq + 1)::bigint from boot_gaps group by beacon")
	if err != nil {
		return err
	}
	var at time.Time
	return s.each(ctx, o, []any{&at}, func(b *alert.Beacon) { b.Conflict = at },
		"select beacon, max(last_received_at) from record_conflicts where last_received_at > now() - interval '1 hour' group by beacon")
}

// observeDevices finds certificates that end.
func (s *Store) observeDevices(ctx context.Context, o Observed) error {
	var end time.Time
	return s.each(ctx, o, []any{&end}, func(b *alert.Beacon) { b.CertificateEnds = end },
		"select beacon, max(not_after) from device_certificates where revoked_at is null group by beacon")
}

// observeClones finds what speaks for two devices with one identity.
func (s *Store) observeClones(ctx context.Context, o Observed) error {
	var sentence string
	return s.each(ctx, o, []any{&sentence}, func(b *alert.Beacon) { b.Cloned = sentence }, `
		select distinct on (beacon) beacon, sentence from device_events
		where at > now() - interval '1 hour' and kind = $1 order by beacon, at desc`, clonedKind)
}

// clonedKind is the kind of a device event that tells of a second device with
// the identity of a beacon.
const clonedKind = "cloned"

// PlanMadeAt is when the plan in force was made; zero: there is none.
func (s *Store) PlanMadeAt(ctx context.Context) (at time.Time, err error) {
	var made *time.Time
	if err = s.pool.QueryRow(ctx, "select max(made_at) from plans").Scan(&made); made != nil {
		at = *made
	}
	return at, err
}
