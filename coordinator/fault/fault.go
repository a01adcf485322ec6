// Package fault is how an error is told to people: a kind, a sentence and,
// where one field is to blame, its name.
//
// An error is given its kind where the mistake is understood, wrapped with %w
// on its way, and translated once at each edge: GRPC for a service, HTTP for a
// page, ExitCode for a command. What carries no kind is Internal; its text is
// for the log, and Sentence says something else to a stranger, so that no
// internals reach a user.
package fault

import (
	"errors"
	"fmt"

	"google.golang.org/grpc/codes"
)

// Kind says what sort of mistake it is.
type Kind string

// The kinds.
const (
	Internal    Kind = "internal"    // a mistake of ours, or of the machine
	Usage       Kind = "usage"       // a command was written wrongly
	Invalid     Kind = "invalid"     // what was given can't be right
	NotFound    Kind = "not_found"   // what was named does not exist
	Conflict    Kind = "conflict"    // somebody else changed it first
	Refused     Kind = "refused"     // right in itself, but not as things stand
	Unavailable Kind = "unavailable" // not now: try again
	TooLate     Kind = "too_late"    // it took longer than the caller would wait
	NotKnown    Kind = "not_known"   // the caller has not said who they are, or not rightly
	Forbidden   Kind = "forbidden"   // the caller is known and may not
	TooOften    Kind = "too_often"   // the caller has to wait first
)

// translation is one kind in the words of each edge.
type translation struct {
	kind Kind
	grpc codes.Code
	http int // RFC 9110, section 15
	exit int
}

var translations = []translation{
	{Internal, codes.Internal, 500, 1},
	{Usage, codes.InvalidArgument, 400, 2},
	{Invalid, codes.InvalidArgument, 400, 1},
	{NotFound, codes.NotFound, 404, 1},
	{Conflict, codes.Aborted, 409, 1},
	{Refused, codes.FailedPrecondition, 422, 1},
	{Unavailable, codes.Unavailable, 503, 1},
	{TooLate, codes.DeadlineExceeded, 504, 1},
	{NotKnown, codes.Unauthenticated, 401, 1},
	{Forbidden, codes.PermissionDenied, 403, 1},
	{TooOften, codes.ResourceExhausted, 429, 1}, // RFC 6585, section 4
}

func (k Kind) translation() translation {
	for _, t := range translations {
		if t.kind == k {
			return t
		}
	}
	return translations[0]
}

// GRPC is the code with which a service reports the kind.
func (k Kind) GRPC() codes.Code { return k.translation().grpc }

// HTTP is the status with which a page reports the kind.
func (k Kind) HTTP() int { return k.translation().http }

// FromGRPC is the kind behind a service's code. What no service of ours says
// is Internal.
func FromGRPC(code codes.Code) Kind {
	for _, t := range translations {
		if t.grpc == code && t.kind != Usage {
			return t.kind
		}
	}
	return Internal
}

// Error is an error that a person can act on.
type Error struct {
	Kind     Kind
	Field    string // the field at fault, such as "scope.beacon"; empty: none alone
	Sentence string
	cause    error
}

// Error returns the sentence, behind the field where there is one.
func (e *Error) Error() string {
	if e.Field == "" {
		return e.Sentence
	}
	return e.Field + ": " + e.Sentence
}

// Unwrap returns what %w wrapped into the sentence.
func (e *Error) Unwrap() error { return e.cause }

// New makes an error. The sentence says what is wrong and what to do; with %w
// it keeps the error below it.
func New(kind Kind, field, format string, args ...any) *Error {
	err := fmt.Errorf(format, args...)
	return &Error{Kind: kind, Field: field, Sentence: err.Error(), cause: errors.Unwrap(err)}
}

// Of is the kind of an error: that of the outermost Error in its chain.
func Of(err error) Kind {
	var e *Error
	if errors.As(err, &e) {
		return e.Kind
	}
	return Internal
}

// Field is the field at fault, "" where none is.
func Field(err error) string {
	var e *Error
	if errors.As(err, &e) {
		return e.Field
	}
	return ""
}

// Sentence is what a stranger may read of an error: all of it where it has a
// kind, otherwise only that something broke.
func Sentence(err error) string {
	var e *Error
	if errors.As(err, &e) && e.Kind != Internal {
		return e.Sentence
	}
	return "something went wrong in the coordinator; its log says what"
}

// ExitCode is the exit code of a command that ends with err: 0 done, 1 failed,
// 2 wrong usage.
func ExitCode(err error) int {
	if err == nil {
		return 0
	}
	return Of(err).translation().exit
}
