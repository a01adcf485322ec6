package store

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// applyStatus writes a change down: one statement for each kind of change,
// however many beacons there are.
func (tx *Tx) applyStatus(ctx context.Context, change statusChange) error {
	batch := &pgx.Batch{}
	queueSpoke(batch, change.spoke)
	queueNewRuns(batch, change)
	queuePresence(batch, change.latestPresence)
	queueHealth(batch, change.latest)
	var heard []string
	for beacon := range change.heard {
		if _, told := change.latest[beacon]; !told { // by its health
			heard = append(heard, beacon)
		}
	}
	if len(heard) > 0 {
		batch.Queue(`update beacon_status set last_seen = greatest(last_seen, now()) where beacon = any($1)`, heard)
	}
	for _, run := range sortedRuns(change.lingering) { // as leases are locked by a leader
		batch.Queue(`update leases set heard_at = greatest(heard_at, now()) where beacon = $1 and run = $2`, run.Beacon, run.Boot)
	}
	if batch.Len() == 0 {
		return nil
	}
	return tx.SendBatch(ctx, batch).Close()
}

func sortedRuns(set map[Run]bool) []Run {
	return slices.SortedFunc(maps.Keys(set), func(a, b Run) int {
		return cmp.Or(strings.Compare(a.Beacon, b.Beacon), strings.Compare(a.Boot, b.Boot))
	})
}

func queueSpoke(batch *pgx.Batch, spoke map[Run]bool) {
	if len(spoke) == 0 {
		return
	}
	beacons, boots := columnsOf(sortedRuns(spoke))
	batch.Queue(`
		update boots b set live_since = now()
		from unnest($1::text[], $2::text[]) as k (beacon, boot)
		where b.beacon = k.beacon and b.boot = k.boot and b.live_since is null`, beacons, boots)
}

// queueNewRuns forgets what former runs said: it says nothing of these. When one
// spoke last is kept where it holds the beacon's identity: the new run may be
// that of a second device, which must get no lease while the first is alive.
func queueNewRuns(batch *pgx.Batch, change statusChange) {
	var runs []Run
	for beacon, state := range change.states {
		if state.run != change.before[beacon].run {
			runs = append(runs, Run{beacon, state.run})
		}
	}
	if len(runs) == 0 {
		return
	}
	beacons, boots := columnsOf(runs)
	batch.Queue(`
		update leases l set heard_at = greatest(l.heard_at, least(now(), b.last_seen + $2::interval))
		from beacon_status b where b.beacon = any($1) and l.beacon = b.beacon and l.run = b.run`, beacons, heardWithin)
	batch.Queue(`
		update beacon_status s set run = k.run, live_seq = null, health_at = null, health = null, lock = null,
			clock_error_bound_ns = null, frequency_uncertainty_ppb = null, on_air = null, band = null, slot = null,
			mute_reason = null, orders_epoch = null, orders_revision = null, hush_epoch = null, hush_number = null,
			hush_silent = null, lease_until = null, sent_today = null, skipped_today = null,
			connection = null, online = null, presence_at = null, version = null, reader = null
		from unnest($1::text[], $2::text[]) as k (beacon, run) where s.beacon = k.beacon`, beacons, boots)
}

func queuePresence(batch *pgx.Batch, latest map[string]Presence) {
	if len(latest) == 0 {
		return
	}
	var beacons, versions []string
	var connections, readers []int64
	var online []bool
	for _, p := range latest {
		beacons, versions, online = append(beacons, p.Beacon), append(versions, p.Version), append(online, p.Online)
		connections, readers = append(connections, p.Connection), append(readers, p.Reader)
	}
	batch.Queue(`
		update beacon_status s set connection = k.connection, online = k.online, presence_at = now(), version = k.version, reader = k.reader
		from unnest($1::text[], $2::bigint[], $3::boolean[], $4::text[], $5::bigint[]) as k (beacon, connection, online, version, reader)
		where s.beacon = k.beacon`, beacons, connections, online, versions, readers)
}

// healthColumns are the columns that a health message fills in, each with its
// type and where its value comes from.
var healthColumns = []struct {
	name, kind string
	of         func([]Health) any
}{
	{"live_seq", "bigint", column(func(h *Health) int64 { return h.LiveSeq })},
	{"health", "bytea", column(func(h *Health) []byte { return h.Message })},
	{"lock", "text", column(func(h *Health) *string { return h.Lock })},
	{"clock_error_bound_ns", "bigint", column(func(h *Health) *int64 { return h.ClockErrorBoundNs })},
	{"frequency_uncertainty_ppb", "double precision", column(func(h *Health) *float64 { return h.FrequencyUncertaintyPpb })},
	{"on_air", "boolean", column(func(h *Health) bool { return h.OnAir })},
	{"band", "text", column(func(h *Health) *string { return h.Band })},
	{"slot", "bigint", column(func(h *Health) *int64 { return h.Slot })},
	{"mute_reason", "text", column(func(h *Health) *string { return h.MuteReason })},
	{"orders_epoch", "bigint", column(func(h *Health) *int64 { return h.OrdersEpoch })},
	{"orders_revision", "bigint", column(func(h *Health) *int64 { return h.OrdersRevision })},
	{"hush_epoch", "bigint", column(func(h *Health) *int64 { return h.HushEpoch })},
	{"hush_number", "bigint", column(func(h *Health) *int64 { return h.HushNumber })},
	{"hush_silent", "boolean", column(func(h *Health) bool { return h.HushSilent })},
	{"lease_until", "timestamptz", column(func(h *Health) *time.Time { return h.LeaseUntil })},
	{"sent_today", "bigint", column(func(h *Health) int64 { return h.SentToday })},
	{"skipped_today", "bigint", column(func(h *Health) int64 { return h.SkippedToday })},
	{"version", "text", column(func(h *Health) string { return h.Version })},
	{"reader", "bigint", column(func(h *Health) int64 { return h.Reader })},
	{"beacon", "text", column(func(h *Health) string { return h.Beacon })},
}

// column gathers one value of each health message.
func column[T any](of func(*Health) T) func([]Health) any {
	return func(list []Health) any {
		values := make([]T, len(list))
		for i := range list {
			values[i] = of(&list[i])
		}
		return values
	}
}

// updateHealth is the statement that writes health messages down.
var updateHealth = func() string {
	var set, arrays, names []string
	for i, c := range healthColumns {
		if c.name != "beacon" {
			set = append(set, c.name+" = k."+c.name)
		}
		arrays = append(arrays, fmt.Sprintf("$%d::%s[]", i+1, c.kind))
		names = append(names, c.name)
	}
	return "update beacon_status s set health_at = now(), last_seen = greatest(s.last_seen, now()), " + strings.Join(set, ", ") +
		" from unnest(" + strings.Join(arrays, ", ") + ") as k (" + strings.Join(names, ", ") + ") where s.beacon = k.beacon"
}()

func queueHealth(batch *pgx.Batch, latest map[string]Health) {
	if len(latest) == 0 {
		return
	}
	list := slices.Collect(maps.Values(latest))
	args := make([]any, len(healthColumns))
	for i, c := range healthColumns {
		args[i] = c.of(list)
	}
	batch.Queue(updateHealth, args...)
}
