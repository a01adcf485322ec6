package store

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
)

// Run is one run of one beacon's agent.
type Run struct{ Beacon, Boot string }

// RunStarted is what the first record of a run says.
type RunStarted struct {
	PreviousBoot    string // empty: none
	PreviousLastSeq int64
	KernelBootID    string
	Version         string
}

// Thinned says that records of a run were given up by its agent.
type Thinned struct {
	Boot              string
	FirstSeq, LastSeq int64
}

// Gap is a piece of a run that is missing.
type Gap struct {
	Beacon, Boot      string
	FirstSeq, LastSeq int64
}

// Gaps gives what is missing of a beacon's runs, at most limit pieces.
func (s *Store) Gaps(ctx context.Context, beacon string, limit int) ([]Gap, error) {
	rows, err := s.pool.Query(ctx, `
		select g.beacon, g.boot, g.first_seq, g.last_seq
		from boot_gaps g join boots b using (beacon, boot)
		where g.beacon = $1 order by b.first_seen, g.boot, g.first_seq limit $2`, beacon, limit)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Gap])
}

// runsOf lists, sorted, the runs that reports speak of.
func runsOf(reports Reports) []Run {
	set := make(map[Run]bool)
	var last Run // of the record before, as of most records
	for i := range reports.Records {
		r := &reports.Records[i]
		if run := (Run{r.Beacon, r.Boot}); run != last {
			set[run], last = true, run
		}
		if r.Thinned != nil {
			set[Run{r.Beacon, r.Thinned.Boot}] = true
		}
	}
	for _, h := range reports.Health {
		set[Run{h.Beacon, h.Run}] = true
	}
	for _, p := range reports.Presence {
		set[Run{p.Beacon, p.Run}] = true
	}
	runs := make([]Run, 0, len(set))
	for run := range set {
		runs = append(runs, run)
	}
	slices.SortFunc(runs, func(a, b Run) int {
		return cmp.Or(strings.Compare(a.Beacon, b.Beacon), strings.Compare(a.Boot, b.Boot))
	})
	return runs
}

// errNewRows says that rows are missing which are to be locked.
var errNewRows = errors.New("a run or a beacon has no row yet")

// makeRows makes the rows of sorted runs, and of their beacons, where there are
// none. In a transaction of its own, so that nobody who holds some of them waits
// for others; and only when some are missing, which is once for a run.
func (s *Store) makeRows(ctx context.Context, runs []Run) error {
	beacons, boots := columnsOf(runs)
	return s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		_, err := tx.Exec(ctx, `
			insert into boots (beacon, boot, first_seen)
			select beacon, boot, now() from unnest($1::text[], $2::text[]) with ordinality as k (beacon, boot, n) order by n
			on conflict do nothing`, beacons, boots)
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `
			insert into beacon_status (beacon)
			select beacon from unnest($1::text[]) with ordinality as k (beacon, n) order by n
			on conflict do nothing`, slices.Compact(beacons))
		return err
	})
}

// lockRuns locks the rows of sorted runs, and gives what is stored of each.
func (tx *Tx) lockRuns(ctx context.Context, runs []Run) (map[Run]seqSet, error) {
	beacons, boots := columnsOf(runs)
	rows, err := tx.Query(ctx, `
		select beacon, boot, seqs from boots where (beacon, boot) in (select * from unnest($1::text[], $2::text[]))
		order by beacon collate "C", boot collate "C" for update`, beacons, boots)
	if err != nil {
		return nil, err
	}
	held := make(map[Run]seqSet, len(runs))
	var run Run
	var seqs pgtype.Multirange[pgtype.Range[int64]]
	_, err = pgx.ForEachRow(rows, []any{&run.Beacon, &run.Boot, &seqs}, func() error {
		held[run] = setOf(seqs)
		return nil
	})
	if err == nil && len(held) < len(runs) {
		err = errNewRows
	}
	return held, err
}

// recount makes the rows of runs say again which seqs are stored: for when
// somebody restored or removed rows by hand.
func (s *Store) recount(ctx context.Context, runs []Run) error {
	beacons, boots := columnsOf(runs)
	return s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		if _, err := tx.lockRuns(ctx, runs); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `
			update boots b set seqs = b.seqs + found.seqs
			from (
				select beacon, boot, range_agg(int8range(seq, seq, '[]')) as seqs
				from records where (beacon, boot) in (select * from unnest($1::text[], $2::text[])) group by beacon, boot
			) found
			where b.beacon = found.beacon and b.boot = found.boot`, beacons, boots)
		return err
	})
}

func columnsOf(runs []Run) (beacons, boots []string) {
	for _, run := range runs {
		beacons, boots = append(beacons, run.Beacon), append(boots, run.Boot)
	}
	return beacons, boots
}

// extendRuns notes what newly stored records say of their runs, and which they
// are.
func (tx *Tx) extendRuns(ctx context.Context, fresh []Record, added map[Run]seqSet) error {
	if len(added) == 0 {
		return nil
	}
	batch := &pgx.Batch{}
	for i := range fresh {
		r := &fresh[i]
		if r.RunStarted != nil {
			batch.Queue(`
				update boots set previous_boot = nullif($3, ''), previous_last_seq = $4, kernel_boot_id = $5, version = $6
				where beacon = $1 and boot = $2`,
				r.Beacon, r.Boot, r.RunStarted.PreviousBoot, r.RunStarted.PreviousLastSeq, r.RunStarted.KernelBootID, r.RunStarted.Version)
		}
		if r.Thinned != nil {
			batch.Queue(`
				update boots set thinned = thinned + int8multirange(int8range($3, $4, '[]'))
				where beacon = $1 and boot = $2`,
				r.Beacon, r.Thinned.Boot, r.Thinned.FirstSeq, r.Thinned.LastSeq)
		}
	}
	var beacons, boots, seqs []string
	for run, set := range added {
		beacons, boots, seqs = append(beacons, run.Beacon), append(boots, run.Boot), append(seqs, set.multirange())
	}
	batch.Queue(`
		update boots b set seqs = b.seqs + k.seqs::int8multirange
		from unnest($1::text[], $2::text[], $3::text[]) as k (beacon, boot, seqs)
		where b.beacon = k.beacon and b.boot = k.boot`, beacons, boots, seqs)
	return tx.SendBatch(ctx, batch).Close()
}
