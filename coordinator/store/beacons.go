package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/status"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// Beacons says how the beacons of the fleet in force are, and by which time of
// the database; none where no fleet is in force.
func (s *Store) Beacons(ctx context.Context, fleets *Fleets) ([]*apiv1.Beacon, time.Time, error) {
	current, _, err := fleets.Current(ctx)
	if err != nil || current == nil {
		return nil, time.Time{}, err
	}
	known := status.Known{Fleet: current, Beacons: map[string]status.Beacon{}}
	for _, read := range []func(context.Context, *status.Known) error{
		s.readStatuses, s.readToday, s.readLeases, s.readHushes, s.readSlots,
	} {
		if err := read(ctx, &known); err != nil {
			return nil, time.Time{}, err
		}
	}
	now, err := s.Now(ctx) // last, so that nothing that was read is younger
	if err != nil {
		return nil, time.Time{}, err
	}
	return status.Of(known, now), now, nil
}

// readStatuses reads what the beacons said of themselves.
func (s *Store) readStatuses(ctx context.Context, known *status.Known) error {
	statuses, err := s.BeaconStatuses(ctx)
	if err != nil {
		return err
	}
	for _, said := range statuses {
		b := known.Beacons[said.Beacon]
		if said.LastSeen != nil {
			b.LastSeen = *said.LastSeen
		}
		if said.HealthAt != nil {
			health := &wirev1.Health{}
			if err := proto.Unmarshal(said.Health, health); err != nil {
				return err
			}
			b.Health, b.HealthAt = health, *said.HealthAt
		}
		known.Beacons[said.Beacon] = b
	}
	return nil
}

// readToday counts how the slots that started this UTC day ended.
func (s *Store) readToday(ctx context.Context, known *status.Known) error {
	rows, err := s.pool.Query(ctx, `
		select beacon, sent, skipped from outcome_days where day = (now() at time zone 'UTC')::date`)
	if err != nil {
		return err
	}
	var beacon string
	var sent, skipped int
	_, err = pgx.ForEachRow(rows, []any{&beacon, &sent, &skipped}, func() error {
		b := known.Beacons[beacon]
		b.Sent, b.Skipped = sent, skipped
		known.Beacons[beacon] = b
		return nil
	})
	return err
}

// readLeases reads until when each beacon was granted a lease.
func (s *Store) readLeases(ctx context.Context, known *status.Known) error {
	leases, err := s.Leases(ctx)
	if err != nil {
		return err
	}
	for _, lease := range leases {
		b := known.Beacons[lease.Beacon]
		b.LeaseUntil = lease.End()
		known.Beacons[lease.Beacon] = b
	}
	return nil
}

// readHushes reads what is to be silent.
func (s *Store) readHushes(ctx context.Context, known *status.Known) error {
	hushes, err := s.Hushes(ctx)
	if err != nil {
		return err
	}
	for _, hush := range hushes {
		known.Hushes = append(known.Hushes, fleet.Scope{Site: hush.Site, Beacon: hush.Beacon, Band: hush.Band})
	}
	return nil
}

// readSlots reads each beacon's next ordered slot, and the one that it says it
// is in now.
func (s *Store) readSlots(ctx context.Context, known *status.Known) error {
	var names []string
	var presents []*int64
	for _, b := range known.Fleet.Beacons {
		var slot *int64
		if health := known.Beacons[b.Name].Health; health.GetOnAir() {
			slot = &health.Slot
		}
		names, presents = append(names, b.Name), append(presents, slot)
	}
	rows, err := s.pool.Query(ctx, `
		select k.beacon, o.present, o.slot, o.band, o.frequency_millihertz
		from unnest($1::text[], $2::bigint[]) as k (beacon, present)
		cross join lateral (
			(select false as present, slot, band, frequency_millihertz from order_slots
			where beacon = k.beacon and slot > floor(extract(epoch from now()) / $3) and closed_epoch is null
			order by slot limit 1)
			union all
			(select true, slot, band, frequency_millihertz from order_slots
			where beacon = k.beacon and slot = k.present
			order by opened_epoch desc, opened_revision desc limit 1)
		) o`, names, presents, int64(known.Fleet.Network.Slot))
	if err != nil {
		return err
	}
	var beacon string
	var present bool
	var sent wirev1.Transmission
	_, err = pgx.ForEachRow(rows, []any{&beacon, &present, &sent.Slot, &sent.Band, &sent.FrequencyMillihertz}, func() error {
		b := known.Beacons[beacon]
		ordered := &wirev1.Transmission{Slot: sent.Slot, Band: sent.Band, FrequencyMillihertz: sent.FrequencyMillihertz}
		if present {
			b.Present = ordered
		} else {
			b.Next = ordered
		}
		known.Beacons[beacon] = b
		return nil
	})
	return err
}
