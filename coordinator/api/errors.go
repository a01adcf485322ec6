package api

import (
	"context"
	"errors"
	"log/slog"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	grpcstatus "google.golang.org/grpc/status"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/store"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// translator turns the errors of services into statuses.
type translator struct{ log *slog.Logger }

func (t translator) unary(ctx context.Context, request any, call *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	answer, err := next(ctx, request)
	return answer, t.status(ctx, call.FullMethod, err)
}

func (t translator) stream(service any, stream grpc.ServerStream, call *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	return t.status(stream.Context(), call.FullMethod, next(service, stream))
}

// status is err as gRPC tells it, nil for none.
func (t translator) status(ctx context.Context, method string, err error) error {
	if err == nil {
		return nil
	}
	if ctx.Err() != nil { // the caller is gone, or would not wait
		return grpcstatus.FromContextError(ctx.Err()).Err()
	}
	if answer, ok := grpcstatus.FromError(err); ok && answer.Code() == codes.Unimplemented {
		return err
	}
	if store.Away(err) {
		t.log.ErrorContext(ctx, "the database does not answer", "method", method, "error", err)
		err = fault.New(fault.Unavailable, "", "the coordinator can't reach its database now; try again in a moment")
	}
	if fault.Of(err) == fault.Internal {
		t.log.ErrorContext(ctx, "a call failed", "method", method, "error", err)
	}
	answer := grpcstatus.New(fault.Of(err).GRPC(), fault.Sentence(err))
	detailed, failed := answer.WithDetails(&apiv1.Fault{Field: fault.Field(err), Findings: findingsOf(err)})
	if failed != nil {
		return answer.Err()
	}
	return detailed.Err()
}

// findingsOf lists what is wrong with a fleet file, where that is the error.
func findingsOf(err error) []*apiv1.Finding {
	var findings fleet.Findings
	if !errors.As(err, &findings) {
		return nil
	}
	return findingMessages(findings)
}

func findingMessages(findings []fleet.Finding) []*apiv1.Finding {
	messages := make([]*apiv1.Finding, len(findings))
	for i, f := range findings {
		sentence := f.Sentence
		if f.Path != "" {
			sentence = f.Path + ": " + sentence
		}
		messages[i] = &apiv1.Finding{File: f.File, Line: int32(f.Line), Column: int32(f.Column), Sentence: sentence}
	}
	return messages
}
