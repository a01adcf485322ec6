package accounts

import (
	"context"
	"crypto/rand"
	"strings"
	"time"
	"unicode/utf8"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people"
	"lamplighter/coordinator/store"
)

// The bounds of an account and a token.
const (
	mostContact  = 200 // characters
	mostSites    = 1000
	mostPurpose  = 100
	LongestToken = 366 * 24 * time.Hour
	mostTokens   = 50 // of one person
)

// Give makes an account and a password to log in with once; none where they log
// in by OpenID Connect.
func (a *Accounts) Give(ctx context.Context, account store.Account) (password string, err error) {
	if err := check(account); err != nil {
		return "", err
	}
	if account.Subject == nil {
		if password, err = a.givePassword(ctx, &account); err != nil {
			return "", err
		}
	}
	return password, a.store.AddAccount(ctx, account)
}

// givePassword puts a password of the program's making into an account.
func (a *Accounts) givePassword(ctx context.Context, account *store.Account) (string, error) {
	now, err := a.store.Now(ctx)
	if err != nil {
		return "", err
	}
	password := newPassword()
	kept, err := a.keep(ctx, password)
	until := now.Add(givenLasts)
	account.Password, account.GivenUntil = &kept, &until
	return password, err
}

// Reset gives somebody another password to log in with once, and ends their
// sessions.
func (a *Accounts) Reset(ctx context.Context, name string) (password string, err error) {
	var account store.Account
	if password, err = a.givePassword(ctx, &account); err != nil {
		return "", err
	}
	return password, a.store.SetPassword(ctx, name, *account.Password, account.GivenUntil, nil)
}

// Choose replaces a person's own password, which they have to show, and ends
// their sessions but the one whose secret is given.
func (a *Accounts) Choose(ctx context.Context, name, old, next, from, session string) error {
	if err := CheckPassword(name, next); err != nil {
		return err
	}
	if old == next {
		return fault.New(fault.Invalid, "password", "it is the one that you have")
	}
	if _, err := a.LogIn(ctx, name, old, from); err != nil {
		return err
	}
	kept, err := a.keep(ctx, next)
	if err != nil {
		return err
	}
	return a.store.SetPassword(ctx, name, kept, nil, digest(session))
}

// Change changes what an account may do and how to reach its person.
func (a *Accounts) Change(ctx context.Context, account store.Account) error {
	if err := check(account); err != nil {
		return err
	}
	return a.store.ChangeAccount(ctx, account)
}

func check(a store.Account) error {
	if err := checkName(a.Name); err != nil {
		return err
	}
	switch {
	case !a.Role.Known():
		return fault.New(fault.Invalid, "role", "%.64q is no role: viewer, operator or admin", string(a.Role))
	case len(a.Sites) > mostSites:
		return fault.New(fault.Invalid, "sites", "more than %d sites", mostSites)
	case utf8.RuneCountInString(a.Contact) > mostContact || strings.ContainsFunc(a.Contact, func(c rune) bool { return c < ' ' }):
		return fault.New(fault.Invalid, "contact", "one line of at most %d characters", mostContact)
	case (a.Issuer == nil) != (a.Subject == nil):
		return fault.New(fault.Invalid, "subject", "no OpenID provider is set: start the coordinator with --openid-issuer")
	case a.Subject != nil && (*a.Subject == "" || len(*a.Subject) > 255): // OpenID Connect Core 1.0, section 2
		return fault.New(fault.Invalid, "subject", "1 to 255 characters, as the provider calls them")
	}
	for _, site := range a.Sites {
		if site == "" || len(site) > 64 {
			return fault.New(fault.Invalid, "sites", "%.64q is no site", site)
		}
	}
	return nil
}

// MakeToken makes a token for a program that acts for somebody, with a role at
// most, for a time. The secret is told once and never again.
func (a *Accounts) MakeToken(ctx context.Context, of people.Person, purpose string, role people.Role, lasts time.Duration) (secret string, token store.Token, err error) {
	switch {
	case purpose == "" || utf8.RuneCountInString(purpose) > mostPurpose:
		return "", token, fault.New(fault.Invalid, "purpose", "say what it is for, in at most %d characters", mostPurpose)
	case !role.Known():
		return "", token, fault.New(fault.Invalid, "role", "%.64q is no role: viewer, operator or admin", string(role))
	case people.Least(role, of.Role) != role:
		return "", token, fault.New(fault.Forbidden, "role", "a token can't be trusted with more than you are: you are %s", of.Role)
	case lasts < time.Minute || lasts > LongestToken:
		return "", token, fault.New(fault.Invalid, "lasts", "a token lasts from a minute to 366 days")
	}
	own, err := a.store.Tokens(ctx, of.Name)
	if err != nil {
		return "", token, err
	}
	if len(own) >= mostTokens {
		return "", token, fault.New(fault.Refused, "", "you have %d tokens: revoke some (lamplighter token list)", len(own))
	}
	secret = newSecret(tokenPrefix)
	token = store.Token{Token: strings.ToLower(rand.Text()[:10]), Person: of.Name, Purpose: purpose, Role: role}
	token.ExpiresAt, err = a.store.AddToken(ctx, token, digest(secret), lasts)
	return secret, token, err
}
