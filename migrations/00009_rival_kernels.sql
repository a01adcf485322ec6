-- +goose Up

-- Another kernel that asked for a lease beside the run that holds the identity:
-- the same device started anew, or a second one. Who speaks next tells.
alter table leases add column rival_boot_id text, add column rival_at timestamptz;

-- +goose Down
alter table leases drop column rival_at, drop column rival_boot_id;
