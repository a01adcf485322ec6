package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	grpcstatus "google.golang.org/grpc/status"

	"lamplighter/coordinator/api"
	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// How long a command waits for the coordinator: for a short answer, and for one
// that is worked out while its progress is told.
const (
	answerWithin = 30 * time.Second
	workWithin   = 15 * time.Minute
)

// serverFlag says which coordinator a command speaks with.
type serverFlag struct {
	Authority string `env:"LAMPLIGHTER_AUTHORITY" type:"path" placeholder:"FILE" help:"The coordinator's authorities.pem, where it certifies itself; without it the connection to this computer is not encrypted, and elsewhere whom this computer trusts is trusted."`
	Server    string `env:"LAMPLIGHTER_SERVER" default:"127.0.0.1:7640" placeholder:"ADDR" help:"Where the coordinator answers commands (default ${default})."`
}

// call runs do with a connection to the coordinator, and turns what went wrong
// into words.
func (s serverFlag) call(e *environment, do func(ctx context.Context, conn grpc.ClientConnInterface) error) error {
	return s.callFor(e, answerWithin, do)
}

// callFor is call for answers that take a time of their own.
func (s serverFlag) callFor(e *environment, limit time.Duration, do func(ctx context.Context, conn grpc.ClientConnInterface) error) error {
	secured, err := s.credentials()
	if err != nil {
		return err
	}
	conn, err := grpc.NewClient("passthrough:///"+s.Server,
		grpc.WithTransportCredentials(secured),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(api.MaxAnswerBytes)))
	if err != nil {
		return fault.New(fault.Usage, "--server", "%q is no address; write HOST:PORT", s.Server)
	}
	defer conn.Close() //nolint:errcheck // the answer is there or not
	ctx, cancel := context.WithTimeout(e, limit)
	defer cancel()
	if ctx, err = s.identified(ctx); err != nil {
		return err
	}
	return s.explain(do(ctx, conn), limit)
}

// explain turns an answer that is an error into a fault.
func (s serverFlag) explain(err error, limit time.Duration) error {
	answer, ok := grpcstatus.FromError(err)
	if err == nil || !ok {
		return err
	}
	for _, detail := range answer.Details() {
		if told, ok := detail.(*apiv1.Fault); ok {
			return fault.New(fault.FromGRPC(answer.Code()), told.GetField(), "%s", withFindings(answer.Message(), told.GetFindings()))
		}
	}
	switch answer.Code() { // not told by a coordinator of ours
	case codes.Unavailable:
		return fault.New(fault.Unavailable, "", "no coordinator answers at %s. Start one with: lamplighter serve --tls --dir DIR\nIf it runs elsewhere, say where: --server ADDR, or LAMPLIGHTER_SERVER=ADDR", s.Server)
	case codes.Unimplemented:
		return fault.New(fault.Unavailable, "", "whatever answers at %s is not a coordinator of this version", s.Server)
	case codes.DeadlineExceeded:
		return fault.New(fault.TooLate, "", "the coordinator at %s has not answered in %v", s.Server, limit)
	}
	return fault.New(fault.FromGRPC(answer.Code()), "", "%s", answer.Message())
}

// withFindings puts what is wrong with a file below the sentence that says so.
func withFindings(sentence string, findings []*apiv1.Finding) string {
	lines := []string{sentence}
	for _, finding := range findings {
		lines = append(lines, "  "+findingText(finding))
	}
	return strings.Join(lines, "\n")
}

func findingText(f *apiv1.Finding) string {
	if f.GetLine() == 0 {
		return f.GetFile() + ": " + f.GetSentence()
	}
	return fmt.Sprintf("%s:%d:%d: %s", f.GetFile(), f.GetLine(), f.GetColumn(), f.GetSentence())
}
