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

-- +goose Down
drop index outcomes_callsign;
drop table receptions;
