-- +goose Up

-- Raw health by the hour in which it was taken.
create index records_health on records (beacon, device_time) where kind = 'health';

-- What remains of a day of records that was dropped: all but health.
create table records_kept (
    recorded_day date        not null,
    beacon       text        not null,
    boot         text        not null,
    seq          bigint      not null,
    kind         text        not null,
    device_time  timestamptz,
    received_at  timestamptz not null,
    body         bytea       not null,
    digest       bytea       not null,
    primary key (beacon, boot, seq)
);

-- How far the keeping of the memory has come. One row.
create table memory (
    one            boolean     primary key default true check (one),
    dropped_before date        not null default '0001-01-01', -- raw health of earlier days is gone
    hours_seen     timestamptz not null                       -- ended hours before this one were marked
);
insert into memory (hours_seen) values (date_trunc('hour', now(), 'UTC'));

-- Hours of beacons whose roll-up is to be made anew.
create table hours_due (
    beacon text        not null,
    hour   timestamptz not null,
    primary key (beacon, hour)
);

-- An hour of a beacon. Bit n of the bitmaps stands for its minute n.
create table beacon_hours (
    beacon           text        not null,
    hour             timestamptz not null,
    samples          integer     not null,
    heard            bigint      not null, -- minutes with a health sample
    ready            bigint      not null, -- all samples of the minute: locked, and the clock's bound inside the limit
    locked           bigint      not null, -- all samples of the minute: locked
    holdover         bigint      not null, -- a sample of the minute: holdover
    on_air           bigint      not null, -- a sample of the minute: on the air
    clock_ns         bigint[]    not null, -- bounds on the clock's error, rounded up to three digits, ascending
    clock_count      bigint[]    not null, -- how many samples have each
    worst_clock_ns   bigint,               -- the largest as it was said; null: none was
    worst_clock_at   timestamptz,
    frequency_ppt    bigint[]    not null, -- bounds on the frequency's error in parts per 10^12, likewise
    frequency_count  bigint[]    not null,
    -- how slots ended that began in it: one place in each array for each band, ending and reason
    bands            text[]      not null,
    endings          text[]      not null,
    reasons          text[]      not null,
    slots            bigint[]    not null,
    keyed_us         bigint[]    not null, -- time with the key down
    primary key (beacon, hour)
);
create index beacon_hours_hour on beacon_hours (hour);

-- A UTC day of a beacon: the sum of its hours.
create table beacon_days (
    beacon           text        not null,
    day              date        not null,
    samples          integer     not null,
    minutes_heard    integer     not null,
    minutes_ready    integer     not null,
    minutes_locked   integer     not null,
    minutes_holdover integer     not null,
    minutes_on_air   integer     not null,
    clock_ns         bigint[]    not null,
    clock_count      bigint[]    not null,
    worst_clock_ns   bigint,
    worst_clock_at   timestamptz,
    frequency_ppt    bigint[]    not null,
    frequency_count  bigint[]    not null,
    bands            text[]      not null,
    endings          text[]      not null,
    reasons          text[]      not null,
    slots            bigint[]    not null,
    keyed_us         bigint[]    not null,
    primary key (beacon, day)
);

-- Outcomes by the UTC day in which their slots began, counted as they come.
create table outcome_days (
    day     date   not null,
    beacon  text   not null,
    sent    bigint not null,
    skipped bigint not null, -- ordered and not sent whole
    primary key (day, beacon)
);
insert into outcome_days (day, beacon, sent, skipped)
select (start_at at time zone 'UTC')::date, beacon, count(*) filter (where kind = 'sent'), count(*) filter (where kind <> 'sent')
from outcomes where start_at is not null group by 1, 2;

insert into hours_due (beacon, hour)
select beacon, date_trunc('hour', device_time, 'UTC') from records where kind = 'health' and device_time is not null
union
select beacon, date_trunc('hour', start_at, 'UTC') from order_slots where start_at < now();

-- Who was granted less than wanted, by the latest plan that began on a UTC day.
create table shortfalls (
    day     date   not null,
    beacon  text   not null,
    band    text   not null, -- set: it can't be used at all
    wanted  bigint not null,
    granted bigint not null,
    reason  text   not null,
    primary key (day, beacon, band)
);

-- Whether a slot was withdrawn does not change once it has begun: it is written
-- down, so that the orders that it follows from need not be kept.
alter table order_slots add withdrawn boolean;
create index order_slots_unsettled on order_slots (start_at) where withdrawn is null;

create or replace view ledger as
select s.beacon, s.slot, s.start_at, s.opened_epoch, s.opened_revision, s.closed_epoch, s.closed_revision,
       s.band, s.frequency_millihertz, s.uncertainty_millihertz, s.message_kind,
       case
           when withdrawn.yes then 'withdrawn'
           when o.kind is not null then o.kind
           when s.start_at + interval '8 days' <= now() then 'unreported'
           else 'open'
       end as ending,
       case when not withdrawn.yes then o.reason end as reason,
       o.received_at,
       coalesce(not withdrawn.yes and o.received_at >= s.start_at + interval '8 days', false) as late,
       withdrawn.yes and o.kind is not null as contradicted,
       s.control, o.permitted_at, o.keyed_at, o.unkeyed_at, o.symbols, o.clock_error_bound_ns, o.callsign, o.locator, o.power_dbm
from order_slots s
cross join lateral (
    select coalesce(s.withdrawn, coalesce(s.closed_at < s.start_at, false) and exists (
        select from orders c
        where c.beacon = s.beacon and (c.epoch, c.revision) >= (s.closed_epoch, s.closed_revision)
          and c.confirmed_at <= s.start_at
    )) as yes
) withdrawn
left join lateral (
    select o.* from outcomes o
    where o.beacon = s.beacon and o.slot = s.slot
      and (o.epoch, o.revision) >= (s.opened_epoch, s.opened_revision)
      and (s.closed_epoch is null or (o.epoch, o.revision) < (s.closed_epoch, s.closed_revision))
    order by o.received_at, o.boot, o.seq limit 1
) o on true;

-- +goose Down
drop view ledger;
drop index order_slots_unsettled;
create view ledger as
select s.beacon, s.slot, s.start_at, s.opened_epoch, s.opened_revision, s.closed_epoch, s.closed_revision,
       s.band, s.frequency_millihertz, s.uncertainty_millihertz, s.message_kind,
       case
           when withdrawn.yes then 'withdrawn'
           when o.kind is not null then o.kind
           when s.start_at + interval '8 days' <= now() then 'unreported'
           else 'open'
       end as ending,
       case when not withdrawn.yes then o.reason end as reason,
       o.received_at,
       coalesce(not withdrawn.yes and o.received_at >= s.start_at + interval '8 days', false) as late,
       withdrawn.yes and o.kind is not null as contradicted
from order_slots s
cross join lateral (
    select coalesce(s.closed_at < s.start_at, false) and exists (
        select from orders c
        where c.beacon = s.beacon and (c.epoch, c.revision) >= (s.closed_epoch, s.closed_revision)
          and c.confirmed_at <= s.start_at
    ) as yes
) withdrawn
left join lateral (
    select o.kind, o.reason, o.received_at from outcomes o
    where o.beacon = s.beacon and o.slot = s.slot
      and (o.epoch, o.revision) >= (s.opened_epoch, s.opened_revision)
      and (s.closed_epoch is null or (o.epoch, o.revision) < (s.closed_epoch, s.closed_revision))
    order by o.received_at, o.boot, o.seq limit 1
) o on true;
alter table order_slots drop withdrawn;
drop table shortfalls;
drop table outcome_days;
drop table beacon_days;
drop table beacon_hours;
drop table hours_due;
drop table memory;
drop table records_kept;
drop index records_health;
