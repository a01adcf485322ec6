package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

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
		s.readStatuses, s.readToday,
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
		select beacon, count(*) filter (where kind = 'sent'), count(*) filter (where kind <> 'sent')
		from outcomes where start_at >= date_trunc('day', now(), 'UTC') and start_at < date_trunc('day', now(), 'UTC') + interval '1 day'
		group by beacon`)
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
