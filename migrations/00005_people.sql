-- +goose Up

-- Who may do what.
create table people (
    name        text        primary key check (name ~ '^[a-z0-9][a-z0-9._-]{0,63}$'),
    role        text        not null check (role in ('viewer', 'operator', 'admin')),
    sites       text[]      not null default '{}', -- an operator's; '*' is all
    contact     text        not null default '',   -- how to reach them, shown with duty
    password    text,                              -- argon2id; null: none, they log in by OpenID Connect
    given_until timestamptz,                       -- the password was given to them and ends then; null: their own
    issuer      text,                              -- with subject: who they are at an OpenID provider
    subject     text,
    created_at  timestamptz not null,
    ended_at    timestamptz,                       -- null: the account is in use
    check ((issuer is null) = (subject is null))
);
create unique index people_subject on people (issuer, subject);

-- Browsers that are logged in, and tokens of programs. Only digests are kept.
create table sessions (
    digest     bytea       primary key, -- SHA-256 of the secret
    person     text        not null references people,
    created_at timestamptz not null,
    used_at    timestamptz not null,
    expires_at timestamptz not null,
    came_from  text        not null
);
create index sessions_person on sessions (person);
create table tokens (
    token      text        primary key, -- names it; no secret
    digest     bytea       not null unique,
    person     text        not null references people,
    purpose    text        not null,
    role       text        not null check (role in ('viewer', 'operator', 'admin')),
    created_at timestamptz not null,
    expires_at timestamptz not null,
    revoked_at timestamptz,
    used_at    timestamptz
);
create index tokens_person on tokens (person);

-- Log-ins that failed lately, by name and by address.
create table login_failures (
    subject    text        primary key, -- "name X" or "from ADDRESS"
    failures   integer     not null,
    last_at    timestamptz not null,
    blocked_until timestamptz not null
);

-- Who is to be in control of a site, and who was. A period ends for good with
-- ended_at, otherwise at its end or when it was not confirmed for too long.
create table duty_roster (
    entry    bigint      primary key generated always as identity,
    site     text        not null,
    person   text        not null references people,
    from_at  timestamptz not null,
    until_at timestamptz not null check (until_at > from_at),
    asked_at timestamptz -- when they were asked to take over
);
create index duty_roster_site on duty_roster (site, until_at);
create table duty_periods (
    period       bigint      primary key generated always as identity,
    site         text        not null,
    person       text        not null,
    contact      text        not null,
    started_at   timestamptz not null,
    confirmed_at timestamptz not null,
    until_at     timestamptz not null check (until_at > started_at),
    ended_at     timestamptz
);
create index duty_periods_site on duty_periods (site, until_at);

-- Who was in control of the site when the slot began; null: nobody, or not known.
alter table outcomes add column operator text;

-- A hush on a regulator's word is lifted by two people.
alter table hushes add column regulator boolean not null default false;
create table hush_liftings (
    hush   bigint      not null references hushes,
    person text        not null,
    reason text        not null,
    at     timestamptz not null,
    primary key (hush, person)
);

-- Who did what. Each entry holds the digest of the one before it.
create table trail (
    number    bigint      primary key check (number > 0),
    at        timestamptz not null,
    person    text        not null,
    came_from text        not null,
    via       text        not null,
    action    text        not null,
    site      text        not null,
    outcome   text        not null, -- asked, done, refused, failed
    details   text        not null, -- JSON, exactly the bytes that were digested
    previous  bytea       not null,
    digest    bytea       not null
);
create index trail_at on trail (at);
create index trail_person on trail (person, number);

-- +goose StatementBegin
create function trail_is_only_added_to() returns trigger language plpgsql as $$
begin
    raise exception 'the trail is only added to';
end $$;
-- +goose StatementEnd
create trigger trail_rows before update or delete on trail for each row execute function trail_is_only_added_to();
create trigger trail_whole before truncate on trail for each statement execute function trail_is_only_added_to();

-- +goose Down
drop table trail;
drop function trail_is_only_added_to;
drop table hush_liftings;
alter table hushes drop column regulator;
alter table outcomes drop column operator;
drop table duty_periods;
drop table duty_roster;
drop table login_failures;
drop table tokens;
drop table sessions;
drop table people;
