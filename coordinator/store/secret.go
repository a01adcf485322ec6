package store

import (
	"context"
	"errors"

	"github.com/jackc/pgx/v5"
)

// Secret is what was sealed under a name; nil: nothing was.
func (s *Store) Secret(ctx context.Context, name string) (sealed []byte, err error) {
	err = s.pool.QueryRow(ctx, "select sealed from sealed_secrets where name = $1", name).Scan(&sealed)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return sealed, err
}

// OfferSecret stores a sealed secret unless there is one under the name, and
// returns the one that counts from now on.
func (s *Store) OfferSecret(ctx context.Context, name string, sealed []byte) ([]byte, error) {
	if _, err := s.pool.Exec(ctx, "insert into sealed_secrets (name, sealed) values ($1, $2) on conflict (name) do nothing", name, sealed); err != nil {
		return nil, err
	}
	return s.Secret(ctx, name)
}
