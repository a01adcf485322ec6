-- +goose Up

-- What a kernel that held a beacon's identity before may still obey, if it is a
-- device of its own that nobody reaches: orders from a number on, until a time.
alter table leases
    add column former_held_epoch bigint not null default 0,
    add column former_held_revision bigint not null default 0,
    add column former_until timestamptz;

-- +goose Down
alter table leases drop column former_until, drop column former_held_revision, drop column former_held_epoch;
