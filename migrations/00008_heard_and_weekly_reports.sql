-- +goose Up

-- What receivers report. Two reports are the same where slot, receiver, band and
-- call sign are; the first one stands.
create table receptions (
    start_at             timestamptz not null, -- of the slot
    receiver             text        not null,
    band                 text        not null,
    callsign             text        not null, -- as heard
    frequency_millihertz bigint      not null,
    snr_db               double precision,
    drift_hz             double precision,
    receiver_locator     text        not null,
    source               text        not null, -- by which way it came
    received_at          timestamptz not null,
    reason               text        not null, -- why it matches no transmission; empty: it does
    -- the transmission that it matches; null: none
    beacon               text,
    planned_millihertz   bigint,
    distance_m           bigint,
    bearing              double precision, -- at our site, degrees from north through east
    primary key (start_at, receiver, band, callsign)
);
create index receptions_beacon on receptions (beacon, band, start_at) where beacon is not null;
create index receptions_waiting on receptions (received_at) where reason = 'waiting';
create index outcomes_callsign on outcomes (callsign, start_at);

-- Weekly reports as they were given out: another revision where figures changed.
create table report_revisions (
    week     text        not null, -- ISO, in the network's zone
    site     text        not null, -- empty: the whole network
    revision integer     not null check (revision > 0),
    made_at  timestamptz not null,
    figures  bytea       not null, -- the report as JSON
    page     bytea       not null, -- as HTML
    paper    bytea       not null, -- as PDF
    primary key (week, site, revision)
);

-- One mail for each recipient and revision.
create table report_mails (
    recipient text        not null, -- address
    week      text        not null,
    site      text        not null,
    revision  integer     not null,
    state     text        not null default 'waiting' check (state in ('waiting', 'accepted', 'undelivered')),
    attempts  integer     not null default 0,
    due_at    timestamptz not null, -- of the next attempt
    answer    text        not null default '', -- to the last one
    primary key (recipient, week, site, revision),
    foreign key (week, site, revision) references report_revisions
);
create index report_mails_waiting on report_mails (due_at) where state = 'waiting';

-- +goose Down
drop table report_mails;
drop table report_revisions;
drop index outcomes_callsign;
drop table receptions;
