package web

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"lamplighter/coordinator/fault"
)

// OpenID is a provider of OpenID Connect that people log in through: the
// authorization code flow with PKCE, state and nonce. Whom the provider knows as
// SUBJECT is whose account has that subject, and nobody else: names and addresses
// that a provider states are not looked at, since people change them there.
type OpenID struct {
	Issuer, ClientID, ClientSecret string
	PublicURL                      string // where browsers reach this coordinator, https://HOST

	mu       sync.Mutex
	provider *oidc.Provider // asked for when first needed, so that a start does not depend on it
}

// Name is the issuer; empty for no provider.
func (o *OpenID) Name() string {
	if o == nil {
		return ""
	}
	return o.Issuer
}

// How long the way to the provider and back may take, and an answer of it.
const (
	wayLasts       = 10 * time.Minute
	providerWithin = 10 * time.Second
)

// config asks the provider what it can do, once.
func (o *OpenID) config(ctx context.Context) (*oauth2.Config, *oidc.Provider, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.provider == nil {
		// The context is kept by the provider for fetching its keys.
		provider, err := oidc.NewProvider(oidc.ClientContext(context.WithoutCancel(ctx), &http.Client{Timeout: providerWithin}), o.Issuer)
		if err != nil {
			return nil, nil, fault.New(fault.Unavailable, "", "your organisation's log-in does not answer now: use a password, or try again")
		}
		o.provider = provider
	}
	return &oauth2.Config{
		ClientID: o.ClientID, ClientSecret: o.ClientSecret, Endpoint: o.provider.Endpoint(),
		RedirectURL: strings.TrimSuffix(o.PublicURL, "/") + ReturnPath, Scopes: []string{oidc.ScopeOpenID},
	}, o.provider, nil
}

// way is what a browser keeps while its person is at the provider.
type way struct{ state, nonce, verifier, next string }

const wayCookie = "lamplighter-openid"

func (s *Sessions) wayName(r *http.Request) string {
	if s.secure(r) {
		return "__Host-" + wayCookie
	}
	return wayCookie
}

// leave sends a browser to the provider.
func (s *Sessions) leave(w http.ResponseWriter, r *http.Request) {
	config, _, err := s.options.OpenID.config(r.Context())
	if err != nil {
		s.fail(w, r, logInForm, err)
		return
	}
	on := way{state: rand.Text(), nonce: rand.Text(), verifier: oauth2.GenerateVerifier(), next: here(r.FormValue("next"))}
	s.setCookie(w, r, s.wayName(r), strings.Join([]string{on.state, on.nonce, on.verifier, url.QueryEscape(on.next)}, "|"), wayLasts)
	http.Redirect(w, r, config.AuthCodeURL(on.state, oidc.Nonce(on.nonce), oauth2.S256ChallengeOption(on.verifier)), http.StatusSeeOther)
}

// comeBack logs somebody in whom the provider has sent back.
func (s *Sessions) comeBack(w http.ResponseWriter, r *http.Request) {
	name, next, err := s.returned(w, r)
	s.note(r, name, "log in through OpenID", err, nil)
	if err != nil {
		s.options.Log.Warn("a log-in through the OpenID provider failed", "from", addressOf(r), "error", err)
		s.fail(w, r, logInForm, err)
		return
	}
	http.Redirect(w, r, next, http.StatusSeeOther)
}

func (s *Sessions) returned(w http.ResponseWriter, r *http.Request) (name, next string, err error) {
	cookie, err := r.Cookie(s.wayName(r))
	if err != nil {
		return "", "", fault.New(fault.Refused, "", "it took too long, or began in another browser: log in again")
	}
	s.setCookie(w, r, s.wayName(r), "", 0) // good for once
	parts := strings.Split(cookie.Value, "|")
	if len(parts) != 4 || subtle.ConstantTimeCompare([]byte(parts[0]), []byte(r.FormValue("state"))) != 1 {
		return "", "", fault.New(fault.Refused, "", "the answer does not belong to this browser: log in again")
	}
	after, err := url.QueryUnescape(parts[3])
	if err != nil {
		after = "/"
	}
	on := way{state: parts[0], nonce: parts[1], verifier: parts[2], next: after}
	subject, err := s.options.OpenID.subject(r.Context(), r.FormValue("code"), on)
	if err != nil {
		return "", "", err
	}
	person, err := s.options.Accounts.ByOpenID(r.Context(), s.options.OpenID.Issuer, subject)
	if err != nil {
		return "", "", err
	}
	if person.Nobody() {
		return "", "", fault.New(fault.Forbidden, "", "no account is yours yet. An admin can give you one: lamplighter people add NAME --role ROLE --openid %s", subject)
	}
	return person.Name, here(on.next), s.logIn(w, r, person.Name)
}

// subject is who the provider says somebody is.
func (o *OpenID) subject(ctx context.Context, code string, on way) (string, error) {
	config, provider, err := o.config(ctx)
	if err != nil {
		return "", err
	}
	ctx, cancel := context.WithTimeout(ctx, providerWithin)
	defer cancel()
	token, err := config.Exchange(ctx, code, oauth2.VerifierOption(on.verifier))
	if err != nil {
		return "", refusedBy(err)
	}
	raw, ok := token.Extra("id_token").(string)
	if !ok {
		return "", refusedBy(errors.New("no id_token"))
	}
	said, err := provider.Verifier(&oidc.Config{ClientID: o.ClientID}).Verify(ctx, raw)
	if err != nil {
		return "", refusedBy(err)
	}
	if subtle.ConstantTimeCompare([]byte(said.Nonce), []byte(on.nonce)) != 1 {
		return "", refusedBy(errors.New("another nonce"))
	}
	return said.Subject, nil
}

// refusedBy tells a person that it failed, and keeps why for who unwraps it.
func refusedBy(cause error) error {
	return fault.New(fault.Refused, "", "your organisation's log-in did not let you in: try again%w", quiet{cause})
}

// quiet is an error that adds nothing to the sentence for a person.
type quiet struct{ error }

func (quiet) Error() string   { return "" }
func (q quiet) Unwrap() error { return q.error }
