package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// LedgerEntry says how one ordered slot ended.
type LedgerEntry struct {
	Beacon                      string
	Slot                        int64
	StartAt                     time.Time // of the slot
	OpenedEpoch, OpenedRevision int64     // the first orders with it
	Band                        string
	FrequencyMillihertz         int64
	MessageKind                 string  // full, extended
	Ending                      string  // sent, skipped, aborted, withdrawn, unreported, open
	Reason                      *string // the agent's; nil: none was given
	Late                        bool    // reported when it was unreported already
	Contradicted                bool    // reported though confirmed to be withdrawn
}

const ledgerColumns = `beacon, slot, start_at, opened_epoch, opened_revision, band, frequency_millihertz, message_kind,
	ending, reason, late, contradicted`

// Ledger gives every ordered slot of a beacon that starts in [from, to).
func (s *Store) Ledger(ctx context.Context, beacon string, from, to time.Time) ([]LedgerEntry, error) {
	rows, err := s.pool.Query(ctx, "select "+ledgerColumns+` from ledger
		where beacon = $1 and start_at >= $2 and start_at < $3
		order by slot, opened_epoch, opened_revision`, beacon, from, to)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[LedgerEntry])
}

// presumedFor is how long a slot of which nothing was heard yet counts as sent
// for those who plan.
const presumedFor = time.Hour

// Sent gives what was transmitted in slots that start in [from, to), by start
// and beacon: what is reported as sent, and of the last hour also what may have
// been sent and is not reported yet.
func (s *Store) Sent(ctx context.Context, from, to time.Time) ([]LedgerEntry, error) {
	rows, err := s.pool.Query(ctx, "select distinct on (start_at, beacon) "+ledgerColumns+` from ledger
		where start_at >= $1 and start_at < $2 and (ending = 'sent' or ending = 'open' and start_at > $2 - $3::interval)
		order by start_at, beacon, ending desc, opened_epoch desc, opened_revision desc`, from, to, presumedFor)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[LedgerEntry])
}
