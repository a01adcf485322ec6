-- +goose Up

-- Who leads. One row; whoever leads writes here first, and every write of a
-- leader compares its epoch with this one while it holds the row.
create table leadership (
    one    boolean     primary key default true check (one),
    epoch  bigint      not null check (epoch > 0),
    holder text        not null,
    since  timestamptz not null
);

-- The orders that were written, numbered per beacon by (epoch, revision).
create table orders (
    beacon       text        not null,
    epoch        bigint      not null,
    revision     bigint      not null check (revision > 0),
    issued_at    timestamptz not null,
    from_slot    bigint      not null,
    to_slot      bigint      not null, -- exclusive
    payload      bytea,                -- the message, exact bytes; null: superseded, its slots stand below
    confirmed_at timestamptz,          -- when the agent first said that it holds them on disk
    primary key (beacon, epoch, revision)
);

-- Each slot that was ordered. A row stands for all revisions from the one that
-- opened it up to, not including, the one that closed it: the first without
-- just this transmission, written before the slot was over.
create table order_slots (
    beacon                 text        not null,
    slot                   bigint      not null,
    start_at               timestamptz not null, -- of the slot
    opened_epoch           bigint      not null,
    opened_revision        bigint      not null,
    closed_epoch           bigint,
    closed_revision        bigint,
    closed_at              timestamptz,
    band                   text        not null,
    frequency_millihertz   bigint      not null,
    uncertainty_millihertz bigint      not null,
    message_kind           text        not null check (message_kind in ('full', 'extended')),
    control                text        not null check (control in ('local', 'remote', 'automatic')),
    primary key (beacon, slot, opened_epoch, opened_revision),
    check ((closed_epoch is null) = (closed_revision is null) and (closed_epoch is null) = (closed_at is null))
);
create index order_slots_start on order_slots (start_at);

-- What each beacon said last when it asked for a lease, and the latest end of
-- any lease that it was granted. All times are this database's.
create table leases (
    beacon        text        primary key,
    epoch         bigint      not null, -- of the leader that wrote this
    run           text        not null, -- whose leases these are
    former_run    text,                 -- the run before it on the same kernel
    boot_id       text        not null,
    heard_at      timestamptz not null, -- when this run asked last
    held_epoch    bigint      not null, -- with held_revision: the orders it holds; zeros: none
    held_revision bigint      not null,
    granted_at    timestamptz,          -- null: it was only refused
    expires_at    timestamptz
);

-- Every order to be silent. Only a release ends one.
create table hushes (
    hush           bigint      primary key generated always as identity,
    epoch          bigint      not null, -- of the leader that stored it
    site           text        not null, -- of the scope; empty: all, as the two below
    beacon         text        not null,
    band           text        not null,
    reason         text        not null,
    given_by       text        not null,
    given_at       timestamptz not null,
    remind_at      timestamptz,
    released_at    timestamptz,
    released_by    text,
    release_reason text
);

-- Which beacons a hush silences, and with which number of their hush state it
-- began to.
create table hush_beacons (
    hush   bigint not null references hushes,
    beacon text   not null,
    epoch  bigint not null,
    number bigint not null,
    primary key (hush, beacon)
);
create index hush_beacons_beacon on hush_beacons (beacon);

-- The present hush state of each beacon that was ever hushed.
create table hush_states (
    beacon    text        primary key,
    epoch     bigint      not null,
    number    bigint      not null check (number > 0),
    stored_at timestamptz not null,
    payload   bytea       not null -- the message, exact bytes
);

-- How each ordered slot ended.
--
-- withdrawn: superseded before its start by orders that the agent confirmed
-- before its start. sent, skipped, aborted: the agent's word, first come. A slot
-- of which nothing was heard for eight days is unreported; a record that comes
-- after that replaces it, and late says so. Until then it is open.
-- contradicted: the agent reports on a slot that it had confirmed to be
-- withdrawn.
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

-- +goose Down
drop view ledger;
drop table hush_states;
drop table hush_beacons;
drop table hushes;
drop table leases;
drop table order_slots;
drop table orders;
drop table leadership;
