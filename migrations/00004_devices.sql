-- +goose Up

-- What all coordinators of a network share and nobody else may read: sealed
-- with the key in each coordinator's folder, so that a copy of the database
-- gives nothing away.
create table sealed_secrets (
    name      text        primary key,
    sealed    bytea       not null,
    stored_at timestamptz not null default now()
);

-- The certificate authorities. The certificate says from when to when.
create table authorities (
    serial      text        primary key, -- hexadecimal
    certificate bytea       not null,    -- DER
    sealed_key  bytea       not null,
    made_at     timestamptz not null default now()
);

-- Leave for one device to be enrolled as a beacon, once.
create table enrolment_permits (
    secret_hash bytea       primary key, -- SHA-256 of the token's secret
    beacon      text        not null,
    given_at    timestamptz not null default now(),
    given_by    text        not null,
    expires_at  timestamptz not null,
    replaces    boolean     not null,    -- the beacon had a device already
    used_at     timestamptz
);
create index enrolment_permits_beacon on enrolment_permits (beacon);

-- Every certificate that a device was given. What is not listed here counts for
-- nothing, whoever signed it.
create table device_certificates (
    serial         text        primary key, -- hexadecimal
    beacon         text        not null,
    key_hash       bytea       not null,    -- SHA-256 of the public key
    certificate    bytea       not null,    -- DER
    not_after      timestamptz not null,
    issued_at      timestamptz not null default now(),
    revoked_at     timestamptz,             -- for ever
    revoked_by     text,
    revoke_reason  text,
    readmit_until  timestamptz,             -- until then it may be renewed though it is over
    readmit_by     text,
    check ((revoked_at is null) = (revoked_by is null))
);
create index device_certificates_beacon on device_certificates (beacon);
create index device_certificates_key on device_certificates (key_hash);

-- What happened to devices, for those who look after the network. Only ever
-- added to.
create table device_events (
    event    bigint      primary key generated always as identity,
    at       timestamptz not null default now(),
    beacon   text        not null,
    kind     text        not null,
    sentence text        not null,
    remote   text        not null -- the address that it came from; empty: none
);
create index device_events_at on device_events (at);

-- +goose Down
drop table device_events;
drop table device_certificates;
drop table enrolment_permits;
drop table authorities;
drop table sealed_secrets;
