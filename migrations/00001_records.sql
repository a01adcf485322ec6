-- +goose Up

-- What beacons reported, each record as the exact bytes in which it came.
-- Partitioned by the UTC day that the record carries; the default partition
-- takes days for which no partition was made, however impossible.
create table records (
    recorded_day date        not null,
    beacon       text        not null,
    boot         text        not null,
    seq          bigint      not null check (seq > 0),
    kind         text        not null,
    device_time  timestamptz, -- the beacon's clock; null: no time that a calendar knows
    received_at  timestamptz not null,
    body         bytea       not null,
    digest       bytea       not null, -- SHA-256 of body
    primary key (recorded_day, beacon, boot, seq)
) partition by range (recorded_day);

create table records_default partition of records default;

-- Records whose key was taken already by one with other content: two devices
-- with one identity, or a storage that forgot. Never merged, never dropped.
create table record_conflicts (
    beacon           text        not null,
    boot             text        not null,
    seq              bigint      not null,
    digest           bytea       not null, -- SHA-256 of body
    stored_digest    bytea,                -- of the record that has the key; null: it lies under another day
    recorded_day     date        not null,
    body             bytea       not null,
    first_received_at timestamptz not null,
    last_received_at timestamptz not null,
    times            bigint      not null default 1,
    primary key (beacon, boot, seq, digest)
);

-- The runs of each agent. seqs holds every seq of the run that is stored; its
-- row is locked by whoever stores records of the run, which is what makes
-- (beacon, boot, seq) unique across days.
create table boots (
    beacon            text           not null,
    boot              text           not null,
    previous_boot     text, -- null: not told yet, or there was none
    previous_last_seq bigint,
    kernel_boot_id    text,
    version           text,
    first_seen        timestamptz    not null,
    live_since        timestamptz, -- when it first spoke live; null: only records so far
    seqs              int8multirange not null default '{}',
    thinned           int8multirange not null default '{}', -- given up by the agent, and said so
    primary key (beacon, boot)
);
create index boots_previous on boots (beacon, previous_boot);

-- What is missing of each run: below the highest seq stored, or below the last
-- one that the following run names, neither stored nor given up.
create view boot_gaps as
select beacon, boot, lower(gap) as first_seq, upper(gap) - 1 as last_seq
from (
    select b.beacon, b.boot,
           unnest(int8multirange(int8range(1, 1 + greatest(
               upper(b.seqs) - 1,
               (select max(n.previous_last_seq) from boots n where n.beacon = b.beacon and n.previous_boot = b.boot),
               0))) - b.seqs - b.thinned) as gap
    from boots b
) missing;

-- How ordered slots ended, taken from the records in the same transaction.
create table outcomes (
    beacon                  text        not null,
    boot                    text        not null,
    seq                     bigint      not null,
    recorded_day            date        not null, -- with the three above: the record
    slot                    bigint      not null,
    start_at                timestamptz, -- of the slot; null: no time that a calendar knows
    epoch                   bigint      not null, -- with revision: the orders
    revision                bigint      not null,
    band                    text        not null,
    frequency_millihertz    bigint      not null,
    uncertainty_millihertz  bigint      not null,
    callsign                text        not null,
    locator                 text        not null,
    power_dbm               integer     not null,
    message_kind            text        not null, -- full, extended or unknown
    drive_percent           integer     not null,
    control                 text        not null, -- local, remote, automatic or unknown
    kind                    text        not null check (kind in ('sent', 'skipped', 'aborted')),
    reason                  text        not null, -- empty: sent whole
    permitted_at            timestamptz, -- by the keyer's clock, as the two below
    keyed_at                timestamptz,
    unkeyed_at              timestamptz,
    symbols                 integer     not null,
    clock_error_bound_ns    bigint,
    received_at             timestamptz not null,
    primary key (beacon, boot, seq)
);
create index outcomes_slot on outcomes (beacon, slot);
create index outcomes_start on outcomes (start_at);

-- Outcomes counted, in the same transaction: a counter that survives restarts.
create table outcome_totals (
    beacon  text   not null,
    band    text   not null,
    outcome text   not null,
    total   bigint not null,
    primary key (beacon, band, outcome)
);

-- How each beacon is, as last heard. Times are the server's; those by the
-- beacon's own clock say so.
create table beacon_status (
    beacon                    text primary key,
    last_seen                 timestamptz, -- when anything came from the device itself
    run                       text,        -- the run that spoke last
    -- the latest live health message
    live_seq                  bigint,
    health_at                 timestamptz,
    health                    bytea,       -- the message, exact bytes
    lock                      text,        -- locked, holdover, none; null: unknown
    clock_error_bound_ns      bigint,
    frequency_uncertainty_ppb double precision,
    on_air                    boolean,
    band                      text,        -- while on the air
    slot                      bigint,      -- while on the air
    mute_reason               text,        -- null: it would transmit
    orders_epoch              bigint,      -- confirmed: on disk at agent and keyer
    orders_revision           bigint,
    hush_epoch                bigint,
    hush_number               bigint,
    hush_silent               boolean,
    lease_until               timestamptz, -- by the beacon's clock
    sent_today                bigint,
    skipped_today             bigint,
    -- the latest presence
    connection                bigint,
    online                    boolean,
    presence_at               timestamptz,
    -- either
    version                   text,
    reader                    bigint
);

-- +goose Down
drop table beacon_status;
drop table outcome_totals;
drop table outcomes;
drop view boot_gaps;
drop table boots;
drop table record_conflicts;
drop table records;
