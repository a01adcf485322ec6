package store

import (
	"bytes"
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// RecordKey is what makes a record itself.
type RecordKey struct {
	Beacon, Boot string
	Seq          int64 // from 1
}

// Record is a record as its agent wrote it, with what follows from it.
type Record struct {
	RecordKey
	RecordedDay time.Time  // UTC midnight
	DeviceTime  *time.Time // nil: no time that a calendar knows
	Kind        string
	Body        []byte // exact bytes
	Digest      []byte // SHA-256 of Body

	// At most one of these, by kind.
	RunStarted *RunStarted
	Thinned    *Thinned
	Outcome    *Outcome
}

// RecordFate is what became of a record. Whatever it is, the record is stored.
type RecordFate string

// The fates.
const (
	RecordStored    RecordFate = "stored"
	RecordDuplicate RecordFate = "duplicate" // it was there already
	RecordConflict  RecordFate = "conflict"  // another has its key: kept aside
)

// storeRecords needs the rows of the records' runs to be locked.
func (tx *Tx) storeRecords(ctx context.Context, records []Record) ([]RecordFate, error) {
	if len(records) == 0 {
		return nil, nil
	}
	first := make(map[RecordKey]int, len(records)) // the first of each key in this very call
	var distinct []Record
	for i, r := range records {
		if _, again := first[r.RecordKey]; !again {
			first[r.RecordKey] = i
			distinct = append(distinct, r)
		}
	}
	stored, err := tx.insertRecords(ctx, distinct)
	if err != nil {
		return nil, err
	}
	fates := make([]RecordFate, len(records))
	var others []int // indices of those that are not new
	for i, r := range records {
		if stored[r.RecordKey] && first[r.RecordKey] == i {
			fates[i] = RecordStored
		} else {
			others = append(others, i)
		}
	}
	return fates, tx.compare(ctx, records, others, fates)
}

// insertRecords inserts those whose key is free and says which they were.
func (tx *Tx) insertRecords(ctx context.Context, records []Record) (map[RecordKey]bool, error) {
	c := columnsOf(records)
	rows, err := tx.Query(ctx, `
		insert into records (recorded_day, beacon, boot, seq, kind, device_time, received_at, body, digest)
		select k.recorded_day, k.beacon, k.boot, k.seq, k.kind, k.device_time, now(), k.body, k.digest
		from unnest($1::date[], $2::text[], $3::text[], $4::bigint[], $5::text[], $6::timestamptz[], $7::bytea[], $8::bytea[])
			as k (recorded_day, beacon, boot, seq, kind, device_time, body, digest)
		join boots b on b.beacon = k.beacon and b.boot = k.boot
		where not b.seqs @> k.seq
		on conflict do nothing
		returning beacon, boot, seq`,
		c.days, c.beacons, c.boots, c.seqs, c.kinds, c.deviceTimes, c.bodies, c.digests)
	if err != nil {
		return nil, err
	}
	stored := make(map[RecordKey]bool, len(records))
	var key RecordKey
	_, err = pgx.ForEachRow(rows, []any{&key.Beacon, &key.Boot, &key.Seq}, func() error {
		stored[key] = true
		return nil
	})
	return stored, err
}

// compare finds out whether records whose keys are taken are the same ones
// again, and keeps aside those that are not.
func (tx *Tx) compare(ctx context.Context, records []Record, others []int, fates []RecordFate) error {
	if len(others) == 0 {
		return nil
	}
	asked := make([]Record, len(others))
	for i, index := range others {
		asked[i] = records[index]
	}
	digests, err := tx.digests(ctx, asked)
	if err != nil {
		return err
	}
	for i, index := range others {
		digest := digests[asked[i].RecordKey]
		if bytes.Equal(digest, asked[i].Digest) {
			fates[index] = RecordDuplicate
			continue
		}
		fates[index] = RecordConflict
		if err := tx.keepAside(ctx, asked[i], digest); err != nil {
			return err
		}
	}
	return nil
}

// digests of the records that have these days and keys.
func (tx *Tx) digests(ctx context.Context, records []Record) (map[RecordKey][]byte, error) {
	c := columnsOf(records)
	rows, err := tx.Query(ctx, `
		select r.beacon, r.boot, r.seq, r.digest
		from unnest($1::date[], $2::text[], $3::text[], $4::bigint[]) as k (recorded_day, beacon, boot, seq)
		join records r using (recorded_day, beacon, boot, seq)`, c.days, c.beacons, c.boots, c.seqs)
	if err != nil {
		return nil, err
	}
	found := make(map[RecordKey][]byte, len(records))
	var key RecordKey
	var digest []byte
	_, err = pgx.ForEachRow(rows, []any{&key.Beacon, &key.Boot, &key.Seq, &digest}, func() error {
		found[key] = bytes.Clone(digest)
		return nil
	})
	return found, err
}

// keepAside stores a record whose key another one has. storedDigest is nil when
// that one lies under another day.
func (tx *Tx) keepAside(ctx context.Context, r Record, storedDigest []byte) error {
	_, err := tx.Exec(ctx, `
		insert into record_conflicts
			(beacon, boot, seq, digest, stored_digest, recorded_day, body, first_received_at, last_received_at)
		values (@beacon, @boot, @seq, @digest, @stored_digest, @recorded_day, @body, now(), now())
		on conflict (beacon, boot, seq, digest) do update
		set last_received_at = now(), times = record_conflicts.times + 1`,
		pgx.NamedArgs{
			"beacon": r.Beacon, "boot": r.Boot, "seq": r.Seq, "digest": r.Digest, "stored_digest": storedDigest,
			"recorded_day": r.RecordedDay, "body": r.Body,
		})
	return err
}

// Conflict is a record whose key another one has.
type Conflict struct {
	RecordKey
	Digest          []byte
	StoredDigest    []byte // nil: the other one lies under another day
	Body            []byte
	FirstReceivedAt time.Time
	LastReceivedAt  time.Time
	Times           int64
}

// Conflicts gives the records that were kept aside, at most limit of them,
// those that came last first.
func (s *Store) Conflicts(ctx context.Context, limit int) ([]Conflict, error) {
	rows, err := s.pool.Query(ctx, `
		select beacon, boot, seq, digest, stored_digest, body, first_received_at, last_received_at, times
		from record_conflicts order by last_received_at desc, beacon, boot, seq, digest limit $1`, limit)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Conflict])
}

// columns are records, turned by a quarter.
type columns struct {
	days                  []time.Time
	beacons, boots, kinds []string
	seqs                  []int64
	deviceTimes           []*time.Time
	bodies, digests       [][]byte
}

func columnsOf(records []Record) (c columns) {
	for _, r := range records {
		c.days, c.beacons, c.boots = append(c.days, r.RecordedDay), append(c.beacons, r.Beacon), append(c.boots, r.Boot)
		c.seqs, c.kinds = append(c.seqs, r.Seq), append(c.kinds, r.Kind)
		c.deviceTimes = append(c.deviceTimes, r.DeviceTime)
		c.bodies, c.digests = append(c.bodies, r.Body), append(c.digests, r.Digest)
	}
	return c
}
