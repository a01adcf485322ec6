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

// storeRecords needs the rows of the records' runs to be locked, and what they
// hold. It gives what they hold besides now.
func (tx *Tx) storeRecords(ctx context.Context, records []Record, held map[Run]seqSet) ([]RecordFate, map[Run]seqSet, error) {
	fates := make([]RecordFate, len(records))
	added := make(map[Run]seqSet, len(held))
	fresh := make([]int, 0, len(records)) // indices
	var others []int
	var run Run // of the record before, as of most records
	var stored, now seqSet
	for i := range records {
		r := &records[i]
		if next := (Run{r.Beacon, r.Boot}); i == 0 || next != run {
			run = next
			stored, now = held[run], added[run]
		}
		if stored.contains(r.Seq) || now.contains(r.Seq) {
			others = append(others, i)
			continue
		}
		now = now.with(r.Seq)
		added[run] = now
		fresh = append(fresh, i)
		fates[i] = RecordStored
	}
	if err := tx.copyRecords(ctx, records, fresh); err != nil {
		return nil, nil, err
	}
	return fates, added, tx.compare(ctx, records, others, fates)
}

// copyRecords stores records whose keys are known to be free.
func (tx *Tx) copyRecords(ctx context.Context, records []Record, fresh []int) error {
	if len(fresh) == 0 {
		return nil
	}
	return copyIn(ctx, tx.Conn(), newRecordRows(records, fresh, tx.Now), `copy records
		(recorded_day, beacon, boot, seq, kind, device_time, received_at, body, digest) from stdin (format binary)`)
}

// compare finds out whether records whose keys are taken are the same ones
// again, and keeps aside those that are not. Raw health that was given up with
// its day is taken for the same.
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
	var dropped time.Time
	if err := tx.QueryRow(ctx, "select dropped_before from memory").Scan(&dropped); err != nil {
		return err
	}
	for i, index := range others {
		digest := digests[asked[i].RecordKey]
		given := digest == nil && asked[i].Kind == "health" && asked[i].RecordedDay.Before(dropped)
		if given || bytes.Equal(digest, asked[i].Digest) {
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
	var days []time.Time
	var beacons, boots []string
	var seqs []int64
	for _, r := range records {
		days, beacons, boots, seqs = append(days, r.RecordedDay), append(beacons, r.Beacon), append(boots, r.Boot), append(seqs, r.Seq)
	}
	rows, err := tx.Query(ctx, `
		select r.beacon, r.boot, r.seq, r.digest
		from unnest($1::date[], $2::text[], $3::text[], $4::bigint[]) as k (recorded_day, beacon, boot, seq)
		join records r using (recorded_day, beacon, boot, seq)
		union all
		select r.beacon, r.boot, r.seq, r.digest
		from unnest($1::date[], $2::text[], $3::text[], $4::bigint[]) as k (recorded_day, beacon, boot, seq)
		join records_kept r using (recorded_day, beacon, boot, seq)`, days, beacons, boots, seqs)
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
