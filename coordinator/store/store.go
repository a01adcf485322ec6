package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
)

// Options are the store's settings; the zero value works.
type Options struct {
	// MaxConnections of the pool; 0: 10.
	MaxConnections int32
	// StatementTimeout ends a statement that takes longer; 0: 30 s.
	StatementTimeout time.Duration
	// LockTimeout ends a wait for another transaction; 0: 5 s.
	LockTimeout time.Duration
	// Tracer hears of every statement; nil: nobody does.
	Tracer pgx.QueryTracer
}

// Store is the coordinator's memory.
type Store struct {
	pool *pgxpool.Pool
}

// Open connects to the database at url (a Postgres URL or key=value string),
// brings its schema up to date and returns the store. An error is a sentence
// that says what is wrong and what to do about it, without the password.
func Open(ctx context.Context, url string, options Options) (*Store, error) {
	config, err := configure(url, options)
	if err != nil {
		return nil, err
	}
	where := place(config.ConnConfig)
	if err := checkSessions(ctx, config.ConnConfig); err != nil {
		return nil, explain(where, err)
	}
	if err := migrate(ctx, config.ConnConfig); err != nil {
		return nil, explain(where, err)
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, explain(where, err)
	}
	return &Store{pool: pool}, nil
}

// Close gives back all connections; it waits for those in use.
func (s *Store) Close() { s.pool.Close() }

// Jobs is the way of the library of durable jobs to the database.
func (s *Store) Jobs() *riverpgxv5.Driver { return riverpgxv5.New(s.pool) }

// Ping says whether the database answers.
func (s *Store) Ping(ctx context.Context) error { return s.pool.Ping(ctx) }

// Now is the database's time.
func (s *Store) Now(ctx context.Context) (now time.Time, err error) {
	err = s.pool.QueryRow(ctx, "select clock_timestamp()").Scan(&now)
	return now, err
}

// Dedicated opens a connection of its own, outside the pool, for what is bound
// to a session: listening, and locks that last. The caller closes it.
func (s *Store) Dedicated(ctx context.Context) (*pgx.Conn, error) {
	config := s.pool.Config()
	conn, err := pgx.ConnectConfig(ctx, config.ConnConfig)
	if err != nil {
		return nil, err
	}
	return conn, config.AfterConnect(ctx, conn)
}

// inUTC makes instants come back in UTC, whatever the zone of this machine.
func inUTC(_ context.Context, conn *pgx.Conn) error {
	conn.TypeMap().RegisterType(&pgtype.Type{
		Name: "timestamptz", OID: pgtype.TimestamptzOID,
		Codec: &pgtype.TimestamptzCodec{ScanLocation: time.UTC},
	})
	return nil
}
