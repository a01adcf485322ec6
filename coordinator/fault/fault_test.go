package fault_test

import (
	"errors"
	"fmt"
	"io"
	"testing"

	"google.golang.org/grpc/codes"

	"lamplighter/coordinator/fault"
)

// The HTTP numbers are those of RFC 9110, section 15; the gRPC codes those of
// the public status code list of gRPC; the exit codes are our own.
func TestEachKindHasOneTranslation(t *testing.T) {
	for _, c := range []struct {
		kind fault.Kind
		grpc codes.Code
		http int
		exit int
	}{
		{fault.Internal, codes.Internal, 500, 1},
		{fault.Usage, codes.InvalidArgument, 400, 2},
		{fault.Invalid, codes.InvalidArgument, 400, 1},
		{fault.NotFound, codes.NotFound, 404, 1},
		{fault.Conflict, codes.Aborted, 409, 1},
		{fault.Refused, codes.FailedPrecondition, 422, 1},
		{fault.Unavailable, codes.Unavailable, 503, 1},
		{fault.TooLate, codes.DeadlineExceeded, 504, 1},
		{fault.NotKnown, codes.Unauthenticated, 401, 1},
		{fault.Forbidden, codes.PermissionDenied, 403, 1},
		{fault.TooOften, codes.ResourceExhausted, 429, 1},
	} {
		err := fault.New(c.kind, "", "x")
		if g, h, e := c.kind.GRPC(), c.kind.HTTP(), fault.ExitCode(err); g != c.grpc || h != c.http || e != c.exit {
			t.Errorf("%s became gRPC %v, HTTP %d, exit %d; want %v, %d, %d", c.kind, g, h, e, c.grpc, c.http, c.exit)
		}
		if back := fault.FromGRPC(c.grpc); back != c.kind && c.kind != fault.Usage {
			t.Errorf("gRPC %v came back as %s, want %s", c.grpc, back, c.kind)
		}
	}
	if got := fault.FromGRPC(codes.DataLoss); got != fault.Internal {
		t.Errorf("a code that nobody says came back as %s", got)
	}
}

func TestAnErrorKeepsWhatItWraps(t *testing.T) {
	err := fmt.Errorf("apply: %w", fault.New(fault.Invalid, "yaml", "it ends early: %w", io.ErrUnexpectedEOF))
	if !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Error("the cause is gone")
	}
	if fault.Of(err) != fault.Invalid || fault.Field(err) != "yaml" {
		t.Errorf("kind %s, field %q", fault.Of(err), fault.Field(err))
	}
	if want := "it ends early: unexpected EOF"; fault.Sentence(err) != want {
		t.Errorf("sentence %q, want %q", fault.Sentence(err), want)
	}
	if want := "apply: yaml: it ends early: unexpected EOF"; err.Error() != want {
		t.Errorf("text %q, want %q", err, want)
	}
}

func TestInternalsReachNobody(t *testing.T) {
	secret := errors.New("SQLSTATE 42P01 at 10.0.0.3")
	for _, err := range []error{secret, fault.New(fault.Internal, "", "%w", secret)} {
		if got := fault.Sentence(err); got != "something went wrong in the coordinator; its log says what" {
			t.Errorf("%v was told as %q", err, got)
		}
		if fault.ExitCode(err) != 1 || fault.Of(err) != fault.Internal || fault.Field(err) != "" {
			t.Errorf("%v: exit %d, kind %s, field %q", err, fault.ExitCode(err), fault.Of(err), fault.Field(err))
		}
	}
	if fault.ExitCode(nil) != 0 {
		t.Error("no error must exit 0")
	}
}
