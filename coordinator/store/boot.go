package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
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
	for _, r := range reports.Records {
		set[Run{r.Beacon, r.Boot}] = true
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

// lockRuns makes the rows of sorted runs where there are none, and locks them.
func (tx *Tx) lockRuns(ctx context.Context, runs []Run) error {
	beacons, boots := make([]string, len(runs)), make([]string, len(runs))
	for i, run := range runs {
		beacons[i], boots[i] = run.Beacon, run.Boot
	}
	batch := &pgx.Batch{}
	batch.Queue(`
		insert into boots (beacon, boot, first_seen)
		select beacon, boot, now() from unnest($1::text[], $2::text[]) with ordinality as k (beacon, boot, n) order by n
		on conflict do nothing`, beacons, boots)
	batch.Queue(`
		select from boots where (beacon, boot) in (select * from unnest($1::text[], $2::text[]))
		order by beacon collate "C", boot collate "C" for update`, beacons, boots)
	return tx.SendBatch(ctx, batch).Close()
}

// extendRuns notes what newly stored records say of their runs.
func (tx *Tx) extendRuns(ctx context.Context, fresh []Record) error {
	seqs := make(map[Run][]int64)
	batch := &pgx.Batch{}
	for _, r := range fresh {
		run := Run{r.Beacon, r.Boot}
		seqs[run] = append(seqs[run], r.Seq)
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
	for run, stored := range seqs {
		batch.Queue(`update boots set seqs = seqs + $3::text::int8multirange where beacon = $1 and boot = $2`,
			run.Beacon, run.Boot, multirange(stored))
	}
	return tx.SendBatch(ctx, batch).Close()
}

// Ranges puts seqs together: each pair is the first and the last of a piece
// without gaps. It sorts seqs.
func Ranges(seqs []int64) (ranges [][2]int64) {
	slices.Sort(seqs)
	for _, seq := range seqs {
		last := len(ranges) - 1
		if last >= 0 && seq <= ranges[last][1]+1 {
			ranges[last][1] = seq
		} else {
			ranges = append(ranges, [2]int64{seq, seq})
		}
	}
	return ranges
}

func multirange(seqs []int64) string {
	var text strings.Builder
	for i, r := range Ranges(seqs) {
		if i > 0 {
			text.WriteByte(',')
		}
		fmt.Fprintf(&text, "[%d,%d]", r[0], r[1])
	}
	return "{" + text.String() + "}"
}
