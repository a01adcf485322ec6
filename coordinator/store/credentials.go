package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/people"
)

// How long a session lasts, at most and without being used, and how exactly the
// latter is kept.
const (
	SessionLasts = 12 * time.Hour
	SessionIdle  = 2 * time.Hour
	usedWithin   = time.Minute
	mostSessions = 20 // of one person; the oldest end
)

// AddSession stores a session of a person, and removes what is over. The digest
// is that of its secret.
func (s *Store) AddSession(ctx context.Context, digest []byte, person, from string) error {
	_, err := s.pool.Exec(ctx, `
		with old as (
			delete from sessions where expires_at <= now() or used_at <= now() - $5::interval
			or digest in (select digest from sessions where person = $2 order by created_at desc offset $6)
		)
		insert into sessions (digest, person, created_at, used_at, expires_at, came_from)
		values ($1, $2, now(), now(), now() + $4::interval, $3)`, digest, person, from, SessionLasts, SessionIdle, mostSessions-1)
	return err
}

// SessionOwner is the account whose session has a digest, nil where there is
// none that lasts. It counts as used now.
func (s *Store) SessionOwner(ctx context.Context, digest []byte) (*Account, error) {
	rows, err := s.pool.Query(ctx, "select "+accountColumns+`
		from sessions s join people p on p.name = s.person
		where s.digest = $1 and s.expires_at > now() and s.used_at > now() - $2::interval and p.ended_at is null`, digest, SessionIdle)
	if err != nil {
		return nil, err
	}
	found, err := oneOrNone[Account](rows)
	if err != nil || found == nil {
		return nil, err
	}
	_, err = s.pool.Exec(ctx, "update sessions set used_at = now() where digest = $1 and used_at < now() - $2::interval", digest, usedWithin)
	return found, err
}

// EndSession ends one; none is no error.
func (s *Store) EndSession(ctx context.Context, digest []byte) error {
	_, err := s.pool.Exec(ctx, "delete from sessions where digest = $1", digest)
	return err
}

// Session is one browser in which somebody has logged in.
type Session struct {
	Digest    []byte
	CreatedAt time.Time
	UsedAt    time.Time
	ExpiresAt time.Time
	From      string `db:"came_from"`
}

// Sessions gives those of a person that last, the one used last first.
func (s *Store) Sessions(ctx context.Context, person string) ([]Session, error) {
	rows, err := s.pool.Query(ctx, `
		select digest, created_at, used_at, least(expires_at, used_at + $2::interval) as expires_at, came_from
		from sessions where person = $1 and expires_at > now() and used_at > now() - $2::interval
		order by used_at desc, created_at desc, digest`, person, SessionIdle)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Session])
}

// EndOtherSessions ends those of a person but the one with a digest, and says how
// many.
func (s *Store) EndOtherSessions(ctx context.Context, person string, except []byte) (int64, error) {
	tag, err := s.pool.Exec(ctx, "delete from sessions where person = $1 and digest <> $2", person, except)
	return tag.RowsAffected(), err
}

// Token lets a program act for a person.
type Token struct {
	Token     string // names it
	Person    string
	Purpose   string
	Role      people.Role // at most
	CreatedAt time.Time
	ExpiresAt time.Time
	RevokedAt *time.Time
	UsedAt    *time.Time
}

const tokenColumns = "t.token, t.person, t.purpose, t.role, t.created_at, t.expires_at, t.revoked_at, t.used_at"

// AddToken stores a token that lasts so long, and says until when.
func (s *Store) AddToken(ctx context.Context, t Token, digest []byte, lasts time.Duration) (expires time.Time, err error) {
	err = s.pool.QueryRow(ctx, `
		insert into tokens (token, digest, person, purpose, role, created_at, expires_at)
		values ($1, $2, $3, $4, $5, now(), now() + $6::interval) returning expires_at`,
		t.Token, digest, t.Person, t.Purpose, t.Role, lasts).Scan(&expires)
	return expires, err
}

// Tokens gives those of a person that last, or of everybody for "".
func (s *Store) Tokens(ctx context.Context, person string) ([]Token, error) {
	rows, err := s.pool.Query(ctx, "select "+tokenColumns+`
		from tokens t where ($1 = '' or t.person = $1) and t.revoked_at is null and t.expires_at > now()
		order by t.person, t.created_at, t.token`, person)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Token])
}

// RevokeToken ends a token of a person, or of anybody for "", and says whether
// there was one.
func (s *Store) RevokeToken(ctx context.Context, token, person string) (revoked bool, err error) {
	tag, err := s.pool.Exec(ctx, `
		update tokens set revoked_at = now()
		where token = $1 and ($2 = '' or person = $2) and revoked_at is null`, token, person)
	return tag.RowsAffected() == 1, err
}

// TokenOwner is the account that a token with a digest acts for, with the role
// that the token gives at most; nil where there is none that lasts.
func (s *Store) TokenOwner(ctx context.Context, digest []byte) (owner *Account, token *Token, err error) {
	rows, err := s.pool.Query(ctx, "select "+tokenColumns+`
		from tokens t where t.digest = $1 and t.revoked_at is null and t.expires_at > now()`, digest)
	if err != nil {
		return nil, nil, err
	}
	token, err = oneOrNone[Token](rows)
	if err != nil || token == nil {
		return nil, nil, err
	}
	if owner, err = s.Account(ctx, token.Person); err != nil || owner == nil {
		return nil, nil, err
	}
	_, err = s.pool.Exec(ctx, "update tokens set used_at = now() where digest = $1 and (used_at is null or used_at < now() - $2::interval)", digest, usedWithin)
	return owner, token, err
}
