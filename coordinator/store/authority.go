package store

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// Authority is a certificate authority with its sealed key.
type Authority struct {
	Serial      string
	Certificate []byte // DER
	SealedKey   []byte
}

// Authorities lists them, the oldest first.
func (s *Store) Authorities(ctx context.Context) ([]Authority, error) {
	return authorities(ctx, s.pool)
}

func authorities(ctx context.Context, db interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
},
) ([]Authority, error) {
	rows, err := db.Query(ctx, "select serial, certificate, sealed_key from authorities order by made_at, serial")
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Authority])
}

// AddAuthority adds the authority that propose returns when it is shown those
// there are; nil: none is added. Of several coordinators that do so at once,
// each sees what the one before has added.
func (s *Store) AddAuthority(ctx context.Context, propose func([]Authority) (*Authority, error)) error {
	return s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		if _, err := tx.Exec(ctx, "lock table authorities in exclusive mode"); err != nil {
			return err
		}
		present, err := authorities(ctx, tx)
		if err != nil {
			return err
		}
		made, err := propose(present)
		if err != nil || made == nil {
			return err
		}
		_, err = tx.Exec(ctx, "insert into authorities (serial, certificate, sealed_key, made_at) values ($1, $2, $3, clock_timestamp())",
			made.Serial, made.Certificate, made.SealedKey)
		return err
	})
}
