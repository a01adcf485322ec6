-- +goose Up

-- Reports of our call signs where none of ours was to be are looked at again and
-- again.
create index receptions_stray on receptions (start_at) where reason in ('not_ordered', 'other_band', 'not_sent');

-- +goose Down
drop index receptions_stray;
