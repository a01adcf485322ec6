package api

import (
	"context"
	"fmt"
	"io"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

// Local is a connection to the services from within this process, such as the
// console's: no socket, and no second way past the interceptors. A call's
// context reaches the service as it is, so whoever is known in it acts.
//
// It serves unary calls and streams from the server, which is all there is.
func (s *Server) Local() grpc.ClientConnInterface { return s.local }

// local runs calls on the services that were registered through it.
type local struct {
	next     grpc.ServiceRegistrar // told of each service too
	services map[string]registered
	unary    []grpc.UnaryServerInterceptor // from the outside
	stream   []grpc.StreamServerInterceptor
}

type registered struct {
	described *grpc.ServiceDesc
	service   any
}

// RegisterService notes a service and passes it on.
func (l *local) RegisterService(described *grpc.ServiceDesc, service any) {
	l.services[described.ServiceName] = registered{described, service}
	l.next.RegisterService(described, service)
}

// find takes "/service/method" apart.
func (l *local) find(path string) (registered, string, error) {
	service, method, _ := strings.Cut(strings.TrimPrefix(path, "/"), "/")
	found, known := l.services[service]
	if !known {
		return found, method, grpcstatus.Errorf(codes.Unimplemented, "there is no service %s", service)
	}
	return found, method, nil
}

// Invoke runs a unary call.
func (l *local) Invoke(ctx context.Context, path string, request, answer any, _ ...grpc.CallOption) error {
	found, name, err := l.find(path)
	if err != nil {
		return err
	}
	for _, method := range found.described.Methods {
		if method.MethodName != name {
			continue
		}
		said, err := method.Handler(found.service, ctx, copyFrom(request), l.intercept)
		if err != nil {
			return err
		}
		return copyFrom(said)(answer)
	}
	return grpcstatus.Errorf(codes.Unimplemented, "there is no method %s", path)
}

// copyFrom fills a message with what another one holds.
func copyFrom(from any) func(any) error {
	return func(into any) error {
		source, ok := from.(proto.Message)
		target, fits := into.(proto.Message)
		if !ok || !fits {
			return grpcstatus.Errorf(codes.Internal, "%T and %T are not both messages", from, into)
		}
		proto.Merge(target, source)
		return nil
	}
}

// intercept calls the interceptors, the outermost first.
func (l *local) intercept(ctx context.Context, request any, call *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	for i := len(l.unary) - 1; i >= 0; i-- {
		inner, interceptor := handler, l.unary[i]
		handler = func(ctx context.Context, request any) (any, error) { return interceptor(ctx, request, call, inner) }
	}
	return handler(ctx, request)
}

// NewStream runs a call that is answered by a stream.
func (l *local) NewStream(ctx context.Context, described *grpc.StreamDesc, path string, _ ...grpc.CallOption) (grpc.ClientStream, error) {
	found, name, err := l.find(path)
	if err != nil {
		return nil, err
	}
	if described.ClientStreams {
		return nil, grpcstatus.Errorf(codes.Unimplemented, "%s streams to the server", path)
	}
	for _, method := range found.described.Streams {
		if method.StreamName != name {
			continue
		}
		handler, call := method.Handler, &grpc.StreamServerInfo{FullMethod: path, IsServerStream: true}
		for i := len(l.stream) - 1; i >= 0; i-- {
			inner, interceptor := handler, l.stream[i]
			handler = func(service any, stream grpc.ServerStream) error { return interceptor(service, stream, call, inner) }
		}
		s := &localStream{request: make(chan any, 1), answers: make(chan any), ended: make(chan struct{})}
		s.ctx, s.leave = context.WithCancel(ctx)
		go func() { // ends with the call's context at the latest
			s.err = handler(found.service, serverEnd{s})
			close(s.ended)
		}()
		return s, nil
	}
	return nil, grpcstatus.Errorf(codes.Unimplemented, "there is no method %s", path)
}

// localStream is one call in progress, seen by who called.
type localStream struct {
	ctx     context.Context //nolint:containedctx // a stream has the context of its call
	leave   context.CancelFunc
	request chan any
	answers chan any
	ended   chan struct{} // closed when the service has returned
	err     error         // what it returned
}

func (s *localStream) Context() context.Context   { return s.ctx }
func (*localStream) Header() (metadata.MD, error) { return nil, nil }
func (*localStream) Trailer() metadata.MD         { return nil }
func (*localStream) CloseSend() error             { return nil }
func (s *localStream) SendMsg(request any) error  { s.request <- request; return nil }

// RecvMsg waits for the next answer; io.EOF is the stream's good end.
func (s *localStream) RecvMsg(into any) error {
	select {
	case answer := <-s.answers:
		return copyFrom(answer)(into)
	case <-s.ended:
		s.leave()
		if s.err == nil {
			return io.EOF
		}
		return s.err
	}
}

// serverEnd is the same call, seen by the service.
type serverEnd struct{ *localStream }

func (serverEnd) SetHeader(metadata.MD) error  { return nil }
func (serverEnd) SendHeader(metadata.MD) error { return nil }
func (serverEnd) SetTrailer(metadata.MD)       {}

// SendMsg hands over an answer when the caller asks for it.
func (s serverEnd) SendMsg(answer any) error {
	select {
	case s.answers <- answer:
		return nil
	case <-s.ctx.Done():
		return fmt.Errorf("the caller has left: %w", s.ctx.Err())
	}
}

// RecvMsg gives the request, once.
func (s serverEnd) RecvMsg(into any) error {
	select {
	case request := <-s.request:
		return copyFrom(request)(into)
	case <-s.ctx.Done():
		return s.ctx.Err()
	}
}
