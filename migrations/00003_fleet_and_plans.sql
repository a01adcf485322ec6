-- +goose Up

-- Every fleet file that was ever in force; the one with the highest version is.
-- Rows are only added.
create table fleet_versions (
    version      bigint      primary key check (version > 0),
    network      text        not null, -- network.id of the file: the same in all rows
    slot_seconds integer     not null, -- likewise
    file         text        not null, -- its name, as it was given
    yaml         text        not null,
    applied_at   timestamptz not null,
    applied_by   text        not null
);

-- The plans that leaders made; the one with the highest number is in force.
-- Old ones are removed when a new one is saved.
create table plans (
    number          bigint           primary key generated always as identity,
    epoch           bigint           not null, -- of the leader that made it
    fleet_version   bigint           not null references fleet_versions,
    made_at         timestamptz      not null,
    plan            bytea            not null -- the plan file, JSON, exact bytes
);

-- +goose Down
drop table plans;
drop table fleet_versions;
