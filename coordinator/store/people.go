package store

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people"
)

// Account is somebody who may log in, or might once.
type Account struct {
	Name       string
	Role       people.Role
	Sites      []string
	Contact    string
	Password   *string    // argon2id; nil: none
	GivenUntil *time.Time // the password was given to them, until then; nil: their own
	Issuer     *string    // with Subject: who they are at an OpenID provider
	Subject    *string
	CreatedAt  time.Time
	EndedAt    *time.Time // nil: in use
}

// Person is what the account lets somebody be.
func (a Account) Person() people.Person {
	return people.Person{Name: a.Name, Role: a.Role, Sites: a.Sites, PasswordDue: a.GivenUntil != nil}
}

const accountColumns = "p.name, p.role, p.sites, p.contact, p.password, p.given_until, p.issuer, p.subject, p.created_at, p.ended_at"

// Accounts gives all of them, by name.
func (s *Store) Accounts(ctx context.Context) ([]Account, error) {
	rows, err := s.pool.Query(ctx, "select "+accountColumns+" from people p order by p.name")
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Account])
}

// Account gives one that is in use; nil where there is none.
func (s *Store) Account(ctx context.Context, name string) (*Account, error) {
	return s.account(ctx, "p.name = $1", name)
}

// AccountAt gives the one of somebody whom an OpenID provider knows.
func (s *Store) AccountAt(ctx context.Context, issuer, subject string) (*Account, error) {
	return s.account(ctx, "p.issuer = $1 and p.subject = $2", issuer, subject)
}

func (s *Store) account(ctx context.Context, condition string, args ...any) (*Account, error) {
	rows, err := s.pool.Query(ctx, "select "+accountColumns+" from people p where p.ended_at is null and "+condition, args...)
	if err != nil {
		return nil, err
	}
	return oneOrNone[Account](rows)
}

// oneOrNone is the row that there is, nil where there is none.
func oneOrNone[T any](rows pgx.Rows) (*T, error) {
	row, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[T])
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return &row, nil
}

// AddAccount stores a new one.
func (s *Store) AddAccount(ctx context.Context, a Account) error {
	_, err := s.pool.Exec(ctx, `
		insert into people (name, role, sites, contact, password, given_until, issuer, subject, created_at)
		values ($1, $2, $3, $4, $5, $6, $7, $8, now())`,
		a.Name, a.Role, sitesOf(a), a.Contact, a.Password, a.GivenUntil, a.Issuer, a.Subject)
	if sqlState(err) == uniqueViolation {
		return fault.New(fault.Conflict, "name", "there is an account %s already, in use or ended: a name is never given to a second person", a.Name)
	}
	return err
}

// AddFirstAccount stores one if there is none at all, and says whether it did.
func (s *Store) AddFirstAccount(ctx context.Context, a Account) (added bool, err error) {
	err = s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		if _, err := tx.Exec(ctx, "lock table people in share row exclusive mode"); err != nil {
			return err
		}
		tag, err := tx.Exec(ctx, `
			insert into people (name, role, password, given_until, created_at)
			select $1, $2, $3, $4, now() where not exists (select from people)`, a.Name, a.Role, a.Password, a.GivenUntil)
		added = tag.RowsAffected() == 1
		return err
	})
	return added, err
}

// sitesOf is never null, which the column does not take.
func sitesOf(a Account) []string {
	if a.Sites == nil {
		return []string{}
	}
	return a.Sites
}

// ChangeAccount changes role, sites, contact and OpenID identity. Whoever is
// trusted with less keeps no admin of earlier days: the last one is not lost.
func (s *Store) ChangeAccount(ctx context.Context, a Account) error {
	return s.changeAccounts(ctx, a.Name, `
		update people set role = $2, sites = $3, contact = $4, issuer = $5, subject = $6
		where name = $1 and ended_at is null`, a.Name, a.Role, sitesOf(a), a.Contact, a.Issuer, a.Subject)
}

// EndAccount ends an account, its sessions and its tokens, for ever.
func (s *Store) EndAccount(ctx context.Context, name string) error {
	return s.changeAccounts(ctx, name, `
		with s as (delete from sessions where person = $1),
			t as (update tokens set revoked_at = now() where person = $1 and revoked_at is null)
		update people set ended_at = now(), password = null where name = $1 and ended_at is null`, name)
}

// changeAccounts runs a statement on one account, and takes it back if no admin
// would be left.
func (s *Store) changeAccounts(ctx context.Context, name, sql string, args ...any) error {
	err := s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		if _, err := tx.Exec(ctx, "lock table people in share row exclusive mode"); err != nil {
			return err
		}
		tag, err := tx.Exec(ctx, sql, args...)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return noAccount(name)
		}
		var admins int
		if err := tx.QueryRow(ctx, "select count(*) from people where role = 'admin' and ended_at is null").Scan(&admins); err != nil {
			return err
		}
		if admins == 0 {
			return fault.New(fault.Refused, "name", "%s is the last admin: make somebody else admin first", name)
		}
		return nil
	})
	if sqlState(err) == uniqueViolation {
		return fault.New(fault.Conflict, "subject", "another account is this person at the OpenID provider already")
	}
	return err
}

func noAccount(name string) error {
	return fault.New(fault.NotFound, "name", "there is no account %.64q in use", name)
}

// SetPassword replaces a password and ends all sessions of the account but the
// one with a given digest.
func (s *Store) SetPassword(ctx context.Context, name, password string, givenUntil *time.Time, except []byte) error {
	tag, err := s.pool.Exec(ctx, `
		with s as (delete from sessions where person = $1 and digest is distinct from $4)
		update people set password = $2, given_until = $3 where name = $1 and ended_at is null`, name, password, givenUntil, except)
	if err == nil && tag.RowsAffected() == 0 {
		return noAccount(name)
	}
	return err
}
