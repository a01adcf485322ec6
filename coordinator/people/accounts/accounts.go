package accounts

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"log/slog"
	"strings"
	"time"

	"github.com/alexedwards/argon2id"
	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people"
	"lamplighter/coordinator/people/trail"
	"lamplighter/coordinator/store"
)

// Options are what it works with; all are required.
type Options struct {
	Store   *store.Store
	Log     *slog.Logger
	Metrics prometheus.Registerer
}

// Accounts knows who is who.
type Accounts struct {
	store    *store.Store
	log      *slog.Logger
	logins   *prometheus.CounterVec
	hashing  chan struct{}
	nobodys  string // the password of names that do not exist
	remember memory
}

// hash is how passwords are kept: the second of the settings that OWASP's
// password storage cheat sheet calls equal (from memory).
var hash = argon2id.Params{Memory: 19 << 10, Iterations: 2, Parallelism: 1, SaltLength: 16, KeyLength: 32}

// hashesAtOnce bounds the memory for passwords.
const hashesAtOnce = 2

// The results of a log-in, as they are counted.
const (
	succeeded = "succeeded"
	wrong     = "wrong"
	slowed    = "slowed"
	failed    = "failed" // the database did not answer
)

// New makes it.
func New(options Options) (*Accounts, error) {
	a := &Accounts{
		store: options.Store, log: options.Log, hashing: make(chan struct{}, hashesAtOnce),
		logins: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "lamplighter_logins_total",
			Help: "Tries to log in with a password, by what came of them.",
		}, []string{"result"}),
	}
	for _, result := range []string{succeeded, wrong, slowed, failed} {
		a.logins.WithLabelValues(result)
	}
	var err error
	if a.nobodys, err = argon2id.CreateHash(newSecret(""), &hash); err != nil {
		return nil, err
	}
	return a, options.Metrics.Register(a.logins)
}

// LogIn finds out who somebody is by name and password.
func (a *Accounts) LogIn(ctx context.Context, name, password, from string) (people.Person, error) {
	person, result, err := a.logIn(ctx, name, password, from)
	a.logins.WithLabelValues(result).Inc()
	return person, err
}

func (a *Accounts) logIn(ctx context.Context, name, password, from string) (people.Person, string, error) {
	if !validName(name) || len(password) > mostPasswordBytes {
		return people.Person{}, wrong, errWrong()
	}
	wait, err := a.store.TryLogin(ctx, name, from)
	if err != nil {
		return people.Person{}, failed, err
	}
	if wait > 0 {
		a.log.Warn("a log-in has to wait: too many failed", "name", name, "from", from, "wait", wait)
		return people.Person{}, slowed, fault.New(fault.TooOften, "password", "too many log-ins failed: try again in %s", inWords(wait))
	}
	account, err := a.store.Account(ctx, name)
	if err != nil {
		return people.Person{}, failed, err
	}
	right, err := a.fits(ctx, account, password)
	if err != nil {
		return people.Person{}, failed, err
	}
	if !right {
		a.log.Warn("a log-in failed", "name", name, "from", from)
		return people.Person{}, wrong, errWrong()
	}
	if err := a.store.LoginSucceeded(ctx, name, from); err != nil {
		return people.Person{}, failed, err
	}
	return account.Person(), succeeded, nil
}

// errWrong says the same whether name or password is wrong.
func errWrong() error {
	return fault.New(fault.NotKnown, "password", "name or password is wrong, or the account has ended")
}

// inWords is a wait, rounded up.
func inWords(wait time.Duration) string {
	if wait <= time.Minute {
		return (wait + time.Second - 1).Truncate(time.Second).String()
	}
	return (wait + time.Minute - 1).Truncate(time.Minute).String()
}

// fits says whether a password is that of an account; nil stands for none. It
// takes as long for none.
func (a *Accounts) fits(ctx context.Context, account *store.Account, password string) (bool, error) {
	kept := a.nobodys
	if account != nil && account.Password != nil {
		kept = *account.Password
	}
	select {
	case a.hashing <- struct{}{}:
		defer func() { <-a.hashing }()
	case <-ctx.Done():
		return false, ctx.Err()
	}
	right, err := argon2id.ComparePasswordAndHash(password, kept)
	if err != nil || !right || kept == a.nobodys {
		return false, err
	}
	if account.GivenUntil == nil {
		return true, nil
	}
	now, err := a.store.Now(ctx)
	return now.Before(*account.GivenUntil), err
}

// keep makes of a password what is kept.
func (a *Accounts) keep(ctx context.Context, password string) (string, error) {
	select {
	case a.hashing <- struct{}{}:
		defer func() { <-a.hashing }()
	case <-ctx.Done():
		return "", ctx.Err()
	}
	return argon2id.CreateHash(password, &hash)
}

func digest(secret string) []byte {
	d := sha256.Sum256([]byte(secret))
	return d[:]
}

// OpenSession lets a browser go on as somebody who has logged in, and returns
// the secret that it shows from then on.
func (a *Accounts) OpenSession(ctx context.Context, name, from string) (secret string, err error) {
	secret = newSecret(sessionPrefix)
	return secret, a.store.AddSession(ctx, digest(secret), name, from)
}

// EndSession ends a session; one that is over already is no error.
func (a *Accounts) EndSession(ctx context.Context, secret string) error {
	a.remember.forget(secret)
	return a.store.EndSession(ctx, digest(secret))
}

// Session is one browser in which somebody has logged in.
type Session struct {
	Since, Used, Until time.Time
	From               string
	Own                bool // the one that asks
}

// Sessions lists those of a person. secret is that of the one that asks.
func (a *Accounts) Sessions(ctx context.Context, name, secret string) ([]Session, error) {
	kept, err := a.store.Sessions(ctx, name)
	list := make([]Session, len(kept))
	for i, s := range kept {
		list[i] = Session{Since: s.CreatedAt, Used: s.UsedAt, Until: s.ExpiresAt, From: s.From, Own: bytes.Equal(s.Digest, digest(secret))}
	}
	return list, err
}

// EndOthers ends all sessions of a person but the one with this secret, and says
// how many.
func (a *Accounts) EndOthers(ctx context.Context, name, secret string) (int64, error) {
	a.remember.forgetPerson(name)
	return a.store.EndOtherSessions(ctx, name, digest(secret))
}

// Note writes into the trail what somebody did with their own account by a
// browser. What was done stays done where that can't be written.
func (a *Accounts) Note(ctx context.Context, e trail.Entry) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), noteWithin)
	defer cancel()
	if _, err := a.store.AddToTrail(ctx, e); err != nil {
		a.log.Error("the trail lacks an entry", "person", e.Person, "from", e.From, "action", e.Action, "outcome", string(e.Outcome), "details", e.Details, "error", err)
	}
}

// noteWithin bounds the writing of an entry.
const noteWithin = 5 * time.Second

// ByOpenID is whose account an OpenID provider's subject is; nobody where none
// is.
func (a *Accounts) ByOpenID(ctx context.Context, issuer, subject string) (people.Person, error) {
	account, err := a.store.AccountAt(ctx, issuer, subject)
	if err != nil || account == nil {
		return people.Person{}, err
	}
	person := account.Person()
	person.PasswordDue = false // they did not come by it
	return person, nil
}

// errUnknownSecret is the answer to a session or token that lets nobody in.
var errUnknownSecret = errors.New("unknown, over or revoked")

// Unknown says that a session or token lets nobody in, rather than that the
// database did not answer.
func Unknown(err error) bool { return errors.Is(err, errUnknownSecret) }

// BySession is who shows the secret of a session.
func (a *Accounts) BySession(ctx context.Context, secret string) (people.Person, error) {
	if !strings.HasPrefix(secret, sessionPrefix) || len(secret) > mostSecretBytes {
		return people.Person{}, errUnknownSecret
	}
	account, err := a.store.SessionOwner(ctx, digest(secret))
	return a.let(secret, account, "", err)
}

// ByToken is who shows a token, with the role that the token gives at most.
func (a *Accounts) ByToken(ctx context.Context, secret string) (people.Person, error) {
	if !strings.HasPrefix(secret, tokenPrefix) || len(secret) > mostSecretBytes {
		return people.Person{}, errUnknownSecret
	}
	account, token, err := a.store.TokenOwner(ctx, digest(secret))
	if err != nil || account == nil {
		return a.let(secret, nil, "", err)
	}
	return a.let(secret, account, token.Role, nil)
}

// let remembers who was let in, and forgets who was not.
func (a *Accounts) let(secret string, account *store.Account, most people.Role, err error) (people.Person, error) {
	switch {
	case err != nil:
		return people.Person{}, err
	case account == nil:
		a.remember.forget(secret)
		return people.Person{}, errUnknownSecret
	}
	person := account.Person()
	if most != "" {
		person.Role = people.Least(person.Role, most)
	}
	a.remember.keep(secret, person)
	return person, nil
}

// askWithin is how long an order to be silent waits to learn from the database who
// gives it.
const askWithin = 500 * time.Millisecond

// ForSilence is who shows the secret of a session or token, as BySession or
// ByToken says; or, where the database does not answer that at once, who was let
// in by it in the last day. Ask it only for an order to be silent.
func (a *Accounts) ForSilence(ctx context.Context, by func(context.Context, string) (people.Person, error), secret string) (person people.Person, lately bool, err error) {
	asking, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	person, err = by(asking, secret)
	if err == nil || Unknown(err) {
		return person, false, err
	}
	if known, ok := a.remember.of(secret); ok {
		return known, true, nil
	}
	return person, false, err
}
