package store

import (
	"context"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
)

// Health is a live health message. Nil means unknown.
type Health struct {
	Beacon, Run             string
	LiveSeq                 int64
	Message                 []byte  // exact bytes
	Lock                    *string // locked, holdover, none
	ClockErrorBoundNs       *int64
	FrequencyUncertaintyPpb *float64
	OnAir                   bool
	Band                    *string // while on the air
	Slot                    *int64  // while on the air
	MuteReason              *string // nil: it would transmit
	OrdersEpoch             *int64  // nil: none confirmed
	OrdersRevision          *int64
	HushEpoch               *int64 // nil: none confirmed
	HushNumber              *int64
	HushSilent              bool
	LeaseUntil              *time.Time // by the beacon's clock
	SentToday               int64
	SkippedToday            int64
	Version                 string
	Reader                  int64
}

// Presence says whether an agent is connected.
type Presence struct {
	Beacon, Run string
	Connection  int64
	Online      bool
	Retained    bool // from before our own connection to the broker
	Version     string
	Reader      int64
}

// BeaconStatus is how a beacon is, as last heard. Nil means unknown.
type BeaconStatus struct {
	Beacon   string
	LastSeen *time.Time // by the database's clock; nil: never
	Run      *string

	LiveSeq                 *int64
	HealthAt                *time.Time // when the latest health came
	Health                  []byte
	Lock                    *string
	ClockErrorBoundNs       *int64
	FrequencyUncertaintyPpb *float64
	OnAir                   *bool
	Band                    *string
	Slot                    *int64
	MuteReason              *string
	OrdersEpoch             *int64 // confirmed by agent and keyer
	OrdersRevision          *int64
	HushEpoch               *int64
	HushNumber              *int64
	HushSilent              *bool
	LeaseUntil              *time.Time // by the beacon's clock
	SentToday               *int64
	SkippedToday            *int64

	Connection *int64
	Online     *bool
	PresenceAt *time.Time

	Version *string
	Reader  *int64
}

// BeaconStatuses gives the status of every beacon that was ever heard.
func (s *Store) BeaconStatuses(ctx context.Context) ([]BeaconStatus, error) {
	rows, err := s.pool.Query(ctx, `
		select beacon, last_seen, run, live_seq, health_at, health, lock, clock_error_bound_ns, frequency_uncertainty_ppb,
			on_air, band, slot, mute_reason, orders_epoch, orders_revision, hush_epoch, hush_number, hush_silent,
			lease_until, sent_today, skipped_today, connection, online, presence_at, version, reader
		from beacon_status order by beacon`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[BeaconStatus])
}

// updateStatus lets reports change the status of their beacons.
func (tx *Tx) updateStatus(ctx context.Context, reports Reports) (health, presence []StatusVerdict, err error) {
	heard, err := tx.newlyHeard(ctx, reports.Records)
	if err != nil {
		return nil, nil, err
	}
	states, err := tx.lockStatus(ctx, Reports{heard, reports.Health, reports.Presence})
	if err != nil {
		return nil, nil, err
	}
	past, err := tx.pastRuns(ctx, reports)
	if err != nil {
		return nil, nil, err
	}
	change := statusChange{before: maps.Clone(states), states: states, past: past, heard: make(map[string]bool), spoke: make(map[Run]bool), lingering: make(map[Run]bool)}
	for _, r := range heard {
		change.heard[r.Beacon] = true
	}
	for _, p := range reports.Presence {
		presence = append(presence, change.presence(p))
	}
	for _, h := range reports.Health {
		health = append(health, change.health(h))
	}
	return health, presence, tx.applyStatus(ctx, change)
}

// statusChange gathers what reports change.
type statusChange struct {
	before, states map[string]liveState // by beacon
	past           map[Run]bool         // runs that had their time
	heard          map[string]bool      // beacons of which something came now
	spoke          map[Run]bool         // runs that became or are the present one
	lingering      map[Run]bool         // runs that were followed by another one, and speak
	latest         map[string]Health
	latestPresence map[string]Presence
}

func (c *statusChange) presence(p Presence) StatusVerdict {
	state, run := c.states[p.Beacon], Run{p.Beacon, p.Run}
	former := Run{p.Beacon, state.run}
	verdict := state.presence(p, c.past[run])
	if verdict == StatusOldRun && p.Online && !p.Retained {
		c.lingering[run] = true
	}
	if verdict != StatusTaken {
		return verdict
	}
	c.moved(former, run)
	c.states[p.Beacon] = state
	if c.latestPresence == nil {
		c.latestPresence = make(map[string]Presence)
	}
	c.latestPresence[p.Beacon] = p
	// An "offline" is the broker's word, and a retained "online" an old one.
	if p.Online && !p.Retained {
		c.heard[p.Beacon] = true
	}
	return verdict
}

func (c *statusChange) health(h Health) StatusVerdict {
	state, run := c.states[h.Beacon], Run{h.Beacon, h.Run}
	former := Run{h.Beacon, state.run}
	verdict := state.health(h, c.past[run])
	if verdict == StatusOldRun {
		c.lingering[run] = true
	}
	if verdict != StatusTaken {
		return verdict
	}
	c.moved(former, run)
	c.states[h.Beacon] = state
	if c.latest == nil {
		c.latest = make(map[string]Health)
	}
	c.latest[h.Beacon] = h
	c.heard[h.Beacon] = true
	return verdict
}

// moved notes that run spoke, and that a former one has had its time. What the
// former one said in the same call says nothing of the new one.
func (c *statusChange) moved(former, run Run) {
	c.spoke[run] = true
	if former != run {
		c.past[former] = true
		delete(c.latest, run.Beacon)
		delete(c.latestPresence, run.Beacon)
	}
}

// heardWithin is how exactly it is known when a beacon was heard last, if it says
// much: then its row is not written with each group of its records.
const heardWithin = time.Second

// newlyHeard gives one record of each beacon that was not heard just now.
func (tx *Tx) newlyHeard(ctx context.Context, records []Record) (heard []Record, err error) {
	var beacons []string
	first := make(map[string]int)
	for i := range records {
		beacon := records[i].Beacon
		if i > 0 && beacon == records[i-1].Beacon {
			continue
		}
		if _, known := first[beacon]; !known {
			first[beacon] = i
			beacons = append(beacons, beacon)
		}
	}
	if len(beacons) == 0 {
		return nil, nil
	}
	rows, err := tx.Query(ctx, `
		select k.beacon from unnest($1::text[]) as k (beacon) left join beacon_status s using (beacon)
		where (s.last_seen > now() - $2::interval) is not true`, beacons, heardWithin)
	if err != nil {
		return nil, err
	}
	var beacon string
	_, err = pgx.ForEachRow(rows, []any{&beacon}, func() error {
		heard = append(heard, records[first[beacon]])
		return nil
	})
	return heard, err
}

// lockStatus locks the rows of all beacons that reports speak of.
func (tx *Tx) lockStatus(ctx context.Context, reports Reports) (map[string]liveState, error) {
	var beacons []string
	for _, run := range runsOf(reports) {
		beacons = append(beacons, run.Beacon)
	}
	beacons = slices.Compact(beacons)
	if len(beacons) == 0 {
		return nil, nil
	}
	rows, err := tx.Query(ctx, `
		select beacon, coalesce(run, ''), coalesce(live_seq, $2), coalesce(connection, $2), coalesce(online, false)
		from beacon_status where beacon = any($1) order by beacon collate "C" for update`, beacons, none)
	if err != nil {
		return nil, err
	}
	states := make(map[string]liveState, len(beacons))
	var beacon string
	var state liveState
	_, err = pgx.ForEachRow(rows, []any{&beacon, &state.run, &state.liveSeq, &state.connection, &state.online}, func() error {
		states[beacon] = state
		return nil
	})
	if err == nil && len(states) < len(beacons) {
		err = errNewRows
	}
	return states, err
}

// pastRuns tells which of the runs that speak live had their time.
func (tx *Tx) pastRuns(ctx context.Context, reports Reports) (map[Run]bool, error) {
	past := make(map[Run]bool)
	runs := runsOf(Reports{Health: reports.Health, Presence: reports.Presence})
	if len(runs) == 0 {
		return past, nil
	}
	beacons, boots := columnsOf(runs)
	rows, err := tx.Query(ctx, `
		select b.beacon, b.boot from boots b
		where (b.beacon, b.boot) in (select * from unnest($1::text[], $2::text[]))
		and (b.live_since is not null or exists (select from boots n where n.beacon = b.beacon and n.previous_boot = b.boot))`,
		beacons, boots)
	if err != nil {
		return nil, err
	}
	var run Run
	_, err = pgx.ForEachRow(rows, []any{&run.Beacon, &run.Boot}, func() error {
		past[run] = true
		return nil
	})
	return past, err
}
