package web

import (
	"context"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"strings"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people"
	"lamplighter/coordinator/people/accounts"
	"lamplighter/coordinator/people/caller"
	"lamplighter/coordinator/store"
)

// Options are what it works with; all but Open, Secure and OpenID are required.
type Options struct {
	Accounts *accounts.Accounts
	Open     string // who acts without logging in, from this computer; empty: nobody
	Secure   bool   // browsers reach this over TLS, even where this listener has none
	OpenID   *OpenID
	Silences []string // paths at which silence is ordered: there, who was let in lately is known without the database
	Log      *slog.Logger
}

// Sessions knows people by their browsers.
type Sessions struct{ options Options }

// New makes it.
func New(options Options) *Sessions { return &Sessions{options: options} }

// mostForm bounds what a form here may hold.
const mostForm = 16 << 10

// Protect keeps other sites' pages from doing something in a person's name, and
// pages from here from running or loading what is not from here. Headers that a
// page sets itself go before.
func Protect(next http.Handler) http.Handler {
	next = http.NewCrossOriginProtection().Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		header := w.Header()
		header.Set("Content-Security-Policy", "default-src 'none'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
		header.Set("X-Content-Type-Options", "nosniff")
		header.Set("Referrer-Policy", "same-origin")
		header.Set("Cross-Origin-Opener-Policy", "same-origin")
		if r.TLS != nil {
			header.Set("Strict-Transport-Security", "max-age=31536000") // a year
		}
		next.ServeHTTP(w, r)
	})
}

// Identify puts into the context who makes a request; nobody where that is not
// known.
func (s *Sessions) Identify(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c, err := s.caller(r)
		if err != nil {
			s.options.Log.Error("it can't be found out who makes a request", "error", err)
			http.Error(w, "The coordinator can't find out who you are now; try again in a moment."+s.silenceAt(), http.StatusServiceUnavailable)
			return
		}
		next.ServeHTTP(w, r.WithContext(caller.With(r.Context(), c)))
	})
}

// silenceAt says where silence is had all the same.
func (s *Sessions) silenceAt() string {
	if len(s.options.Silences) == 0 {
		return ""
	}
	return " Silence is to be had all the same, at " + s.options.Silences[0] + "."
}

// caller is who makes a request.
func (s *Sessions) caller(r *http.Request) (c caller.Caller, err error) {
	c.From = addressOf(r)
	if kind, secret, ok := strings.Cut(r.Header.Get("Authorization"), " "); ok && strings.EqualFold(kind, "Bearer") {
		c.Via = "token"
		c.Person, err = s.owner(r, s.options.Accounts.ByToken, strings.TrimSpace(secret))
	} else if cookie, missing := r.Cookie(s.cookieName(r)); missing == nil {
		c.Via = "session"
		c.Person, err = s.owner(r, s.options.Accounts.BySession, cookie.Value)
	} else if ip := net.ParseIP(c.From); s.options.Open != "" && ip != nil && ip.IsLoopback() && ownName(r.Host) {
		c.Via, c.Person = "loopback", people.Person{Name: s.options.Open, Role: people.Admin}
	}
	if accounts.Unknown(err) {
		err = nil
	}
	if c.Nobody() {
		c.Via = ""
	}
	return c, err
}

// owner is whose a secret is.
func (s *Sessions) owner(r *http.Request, by func(context.Context, string) (people.Person, error), secret string) (people.Person, error) {
	if !slices.Contains(s.options.Silences, r.URL.Path) {
		return by(r.Context(), secret)
	}
	person, lately, err := s.options.Accounts.ForSilence(r.Context(), by, secret)
	if lately {
		s.options.Log.Warn("an order to be silent is let in on who was known lately", "person", person.Name)
	}
	return person, err
}

// addressOf is where a request comes from, without the port.
func addressOf(r *http.Request) string {
	if host, _, err := net.SplitHostPort(r.RemoteAddr); err == nil {
		return host
	}
	return r.RemoteAddr
}

// ownName says whether a host of a request is this computer by its own names,
// rather than a stranger's name that points here.
func ownName(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	ip := net.ParseIP(strings.Trim(host, "[]"))
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Require lets only those pass who may do something, at some site at least. A
// browser of nobody's is sent to log in.
func (s *Sessions) Require(action people.Action, next http.Handler) http.Handler {
	return s.Identify(s.Admit(action, next))
}

// Admit is Require after Identify.
func (s *Sessions) Admit(action people.Action, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		reason := caller.May(r.Context(), action, "")
		switch reason {
		case people.Allowed, people.OtherSite: // at which site is for the service to say
			next.ServeHTTP(w, r)
		case people.NotKnown, people.PasswordDue:
			if r.Method == http.MethodGet && strings.Contains(r.Header.Get("Accept"), "text/html") {
				http.Redirect(w, r, LogInPath+"?next="+queryOf(r.URL.RequestURI()), http.StatusSeeOther)
				return
			}
			http.Error(w, reason.Sentence(action, ""), fault.NotKnown.HTTP())
		default:
			http.Error(w, reason.Sentence(action, ""), fault.Forbidden.HTTP())
		}
	})
}

// RequireSession lets only those pass who may see what people of the network
// see.
func (s *Sessions) RequireSession(next http.Handler) http.Handler {
	return s.Require(people.See, next)
}

// secure says whether the browser came over TLS.
func (s *Sessions) secure(r *http.Request) bool { return r.TLS != nil || s.options.Secure }

func (s *Sessions) cookieName(r *http.Request) string {
	if s.secure(r) {
		return "__Host-lamplighter"
	}
	return "lamplighter"
}

// setCookie gives the browser a secret for so long; 0 takes it back.
func (s *Sessions) setCookie(w http.ResponseWriter, r *http.Request, name, secret string, lasts time.Duration) {
	age := int(lasts.Seconds())
	if age == 0 {
		age = -1
	}
	http.SetCookie(w, &http.Cookie{
		Name: name, Value: secret, Path: "/", MaxAge: age,
		HttpOnly: true, Secure: s.secure(r), SameSite: http.SameSiteLaxMode,
	})
}

// logIn lets the browser go on as a person.
func (s *Sessions) logIn(w http.ResponseWriter, r *http.Request, name string) error {
	if cookie, err := r.Cookie(s.cookieName(r)); err == nil { // another session in this browser is over
		if err := s.options.Accounts.EndSession(r.Context(), cookie.Value); err != nil {
			return err
		}
	}
	secret, err := s.options.Accounts.OpenSession(r.Context(), name, addressOf(r))
	if err != nil {
		return err
	}
	s.setCookie(w, r, s.cookieName(r), secret, store.SessionLasts)
	return nil
}
