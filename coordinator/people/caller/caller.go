// Package caller keeps in a call's context who makes it. Whoever finds out who
// somebody is puts it there once: the session of a browser (package web), the
// token of a command (package api). Everybody else only reads.
package caller

import (
	"context"

	"lamplighter/coordinator/people"
)

// Caller is who makes a call, and from where.
type Caller struct {
	people.Person
	From string // the address; empty: not known
	Via  string // "session", "token", "loopback"; empty: nobody is known
}

type key struct{}

// With is a context in which a caller is known.
func With(ctx context.Context, c Caller) context.Context { return context.WithValue(ctx, key{}, c) }

// From is who makes the call; nobody where that is not known.
func From(ctx context.Context) Caller {
	c, _ := ctx.Value(key{}).(Caller)
	return c
}

// Present says whether anything was said about the caller, even that it is
// nobody.
func Present(ctx context.Context) bool {
	_, ok := ctx.Value(key{}).(Caller)
	return ok
}

// May says whether the caller may do something at a site; "" is the whole
// network.
func May(ctx context.Context, action people.Action, site string) people.Reason {
	return people.May(From(ctx).Person, action, site)
}
