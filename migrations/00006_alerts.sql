-- +goose Up

-- What is or was wrong. While an alert is not closed, memory is all that the
-- leader needs to go on with it; the other columns are for those who look.
create table alerts (
    alert           bigint      primary key generated always as identity,
    condition       text        not null,
    site            text        not null, -- empty: the whole network
    beacon          text        not null, -- empty: the whole site
    state           text        not null check (state in ('pending', 'raised', 'acknowledged', 'unsteady', 'cleared')),
    since           timestamptz not null,
    raised_at       timestamptz,          -- null: never
    over_at         timestamptz,
    closed          boolean     not null,
    memory          jsonb       not null
);
create unique index alerts_open on alerts (condition, site, beacon) where not closed;
create index alerts_raised on alerts (raised_at) where raised_at is not null;

-- Who looks after an alert.
create table alert_acknowledgements (
    acknowledgement bigint      primary key generated always as identity,
    alert           bigint      not null references alerts,
    person          text        not null,
    reason          text        not null,
    at              timestamptz not null
);
create index alert_acknowledgements_alert on alert_acknowledgements (alert, at);

-- Alerts that nobody is told of for a time.
create table alert_silences (
    silence   bigint      primary key generated always as identity,
    condition text        not null, -- empty: all, as the two below
    site      text        not null,
    beacon    text        not null,
    owner     text        not null,
    reason    text        not null,
    since     timestamptz not null,
    until     timestamptz not null check (until > since and until <= since + interval '14 days'),
    ended_by  text                  -- null: it ends by itself
);
create index alert_silences_until on alert_silences (until);

-- Messages to people and programs, and what became of them.
create table alert_messages (
    message    bigint      primary key generated always as identity,
    alert      bigint      references alerts, -- null: a trial
    epoch      bigint      not null,          -- of the leader that decided on it; 0: a trial
    recipient  text        not null,
    event      text        not null,
    subject    text        not null,
    body       text        not null,
    made_at    timestamptz not null,
    state      text        not null default 'waiting' check (state in ('waiting', 'accepted', 'undelivered')),
    attempts   integer     not null default 0,
    unclear    integer     not null default 0, -- attempts of which nobody knows whether they arrived
    ended_at   timestamptz,
    answer     text        not null default '' -- of the last attempt
);
create index alert_messages_undelivered on alert_messages (made_at) where state = 'undelivered';

-- +goose Down
drop table alert_messages;
drop table alert_silences;
drop table alert_acknowledgements;
drop table alerts;
