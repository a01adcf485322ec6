package store

import (
	"context"
	"maps"
	"slices"

	"github.com/jackc/pgx/v5"
)

// applyStatus writes a change down, one beacon after the other in the order in
// which they were locked.
func (tx *Tx) applyStatus(ctx context.Context, change statusChange) error {
	batch := &pgx.Batch{}
	for run := range change.spoke {
		batch.Queue(`update boots set live_since = now() where beacon = $1 and boot = $2 and live_since is null`, run.Beacon, run.Boot)
	}
	for beacon, state := range change.states {
		if state.run != change.before[beacon].run {
			queueNewRun(batch, beacon, state.run)
		}
	}
	for _, p := range change.latestPresence {
		queuePresence(batch, p)
	}
	for _, h := range change.latest {
		queueHealth(batch, h)
	}
	if len(change.heard) > 0 {
		batch.Queue(`update beacon_status set last_seen = greatest(last_seen, now()) where beacon = any($1)`, slices.Collect(maps.Keys(change.heard)))
	}
	for run := range change.lingering {
		batch.Queue(`update leases set heard_at = greatest(heard_at, now()) where beacon = $1 and run = $2`, run.Beacon, run.Boot)
	}
	return tx.SendBatch(ctx, batch).Close()
}

// queueNewRun forgets what the former run said: it says nothing of this one. When
// it spoke last is kept where it holds the beacon's identity: the new run may be
// that of a second device, which must get no lease while the first is alive.
func queueNewRun(batch *pgx.Batch, beacon, run string) {
	batch.Queue(`
		update leases l set heard_at = greatest(l.heard_at, b.last_seen)
		from beacon_status b where b.beacon = $1 and l.beacon = b.beacon and l.run = b.run`, beacon)
	batch.Queue(`
		update beacon_status set run = $2, live_seq = null, health_at = null, health = null, lock = null,
			clock_error_bound_ns = null, frequency_uncertainty_ppb = null, on_air = null, band = null, slot = null,
			mute_reason = null, orders_epoch = null, orders_revision = null, hush_epoch = null, hush_number = null,
			hush_silent = null, lease_until = null, sent_today = null, skipped_today = null,
			connection = null, online = null, presence_at = null, version = null, reader = null
		where beacon = $1`, beacon, run)
}

func queuePresence(batch *pgx.Batch, p Presence) {
	batch.Queue(`
		update beacon_status set connection = $2, online = $3, presence_at = now(), version = $4, reader = $5
		where beacon = $1`, p.Beacon, p.Connection, p.Online, p.Version, p.Reader)
}

func queueHealth(batch *pgx.Batch, h Health) {
	batch.Queue(`
		update beacon_status set live_seq = @live_seq, health_at = now(), health = @health, lock = @lock,
			clock_error_bound_ns = @clock_error_bound_ns, frequency_uncertainty_ppb = @frequency_uncertainty_ppb,
			on_air = @on_air, band = @band, slot = @slot, mute_reason = @mute_reason,
			orders_epoch = @orders_epoch, orders_revision = @orders_revision,
			hush_epoch = @hush_epoch, hush_number = @hush_number, hush_silent = @hush_silent,
			lease_until = @lease_until, sent_today = @sent_today, skipped_today = @skipped_today,
			version = @version, reader = @reader
		where beacon = @beacon`,
		pgx.NamedArgs{
			"beacon": h.Beacon, "live_seq": h.LiveSeq, "health": h.Message, "lock": h.Lock,
			"clock_error_bound_ns": h.ClockErrorBoundNs, "frequency_uncertainty_ppb": h.FrequencyUncertaintyPpb,
			"on_air": h.OnAir, "band": h.Band, "slot": h.Slot, "mute_reason": h.MuteReason,
			"orders_epoch": h.OrdersEpoch, "orders_revision": h.OrdersRevision,
			"hush_epoch": h.HushEpoch, "hush_number": h.HushNumber, "hush_silent": h.HushSilent,
			"lease_until": h.LeaseUntil, "sent_today": h.SentToday, "skipped_today": h.SkippedToday,
			"version": h.Version, "reader": h.Reader,
		})
}
