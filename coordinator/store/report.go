package store

import (
	"context"
	"errors"
	"slices"
)

// Reports are what agents said, to be stored in one transaction.
type Reports struct {
	Records  []Record
	Health   []Health
	Presence []Presence
}

// Fates say what became of Reports: one entry for each, in the same order.
type Fates struct {
	Records  []RecordFate
	Health   []StatusVerdict
	Presence []StatusVerdict
}

// StoreReports stores reports with all that follows from them, in one
// transaction. When it returns without an error they are committed; after an
// error they may be, and storing them again changes nothing.
func (s *Store) StoreReports(ctx context.Context, reports Reports) (fates Fates, err error) {
	attempt := func() error {
		return s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
			fates, err = tx.storeReports(ctx, reports)
			return err
		})
	}
	if err = attempt(); errors.Is(err, errNewRows) {
		if err = s.makeRows(ctx, runsOf(reports)); err == nil {
			err = attempt()
		}
	}
	if sqlState(err) == uniqueViolation {
		// A record is there that its run does not know of.
		if err = s.recount(ctx, runsOf(reports)); err == nil {
			err = attempt()
		}
	}
	return fates, err
}

// All rows are locked in the same order by everybody: runs, then totals, then
// hours, then status, each sorted by key. Leases come last: a leader that holds
// one waits for none of these.
func (tx *Tx) storeReports(ctx context.Context, reports Reports) (fates Fates, err error) {
	held, err := tx.lockRuns(ctx, runsOf(reports))
	if err != nil {
		return fates, err
	}
	var added map[Run]seqSet
	if fates.Records, added, err = tx.storeRecords(ctx, reports.Records, held); err != nil {
		return fates, err
	}
	fresh := freshOf(reports.Records, fates.Records)
	if err := tx.extendRuns(ctx, fresh, added); err != nil {
		return fates, err
	}
	if err := tx.storeOutcomes(ctx, fresh); err != nil {
		return fates, err
	}
	if err := tx.markHours(ctx, fresh); err != nil {
		return fates, err
	}
	fates.Health, fates.Presence, err = tx.updateStatus(ctx, reports)
	return fates, err
}

// freshOf gives the records that were stored now: mostly all.
func freshOf(records []Record, fates []RecordFate) []Record {
	if !slices.ContainsFunc(fates, func(f RecordFate) bool { return f != RecordStored }) {
		return records
	}
	var fresh []Record
	for i, fate := range fates {
		if fate == RecordStored {
			fresh = append(fresh, records[i])
		}
	}
	return fresh
}
