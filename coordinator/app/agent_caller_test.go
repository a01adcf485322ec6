package app_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/emptypb"

	"lamplighter/coordinator/app"
	"lamplighter/coordinator/devices"
	_ "lamplighter/proto/lamplighter/api/v1" // whose services are called
)

// open are the methods that anybody may call: to log in, and what a network shows
// everybody.
var open = map[protoreflect.FullName]bool{
	"lamplighter.api.v1.AccountService.LogIn":          true,
	"lamplighter.api.v1.AccountService.ChoosePassword": true,
	"lamplighter.api.v1.PublicService.GetPublic":       true,
}

// An agent is nobody to the services, whatever certificate it has, its own,
// another's or one that was revoked: none is asked for, and nothing that needs a
// person is done.
func TestAnAgentIsNobodyToTheServices(t *testing.T) {
	o := options(t)
	o.Open, o.Secure = false, app.Secure{On: true, Devices: "127.0.0.1:0"}
	at := start(t, o).Addr()
	authority, err := devices.NewAuthority(rand.Reader, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	certificate, err := authority.Device(rand.Reader, &key.PublicKey, "tern-valley", "hilltop-hf", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	var asked atomic.Bool
	conn, err := grpc.NewClient(at.GRPC, grpc.WithTransportCredentials(credentials.NewTLS(&tls.Config{
		InsecureSkipVerify: true, //nolint:gosec // what counts is what the other side asks
		GetClientCertificate: func(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
			asked.Store(true)
			return &tls.Certificate{Certificate: [][]byte{certificate.Raw}, PrivateKey: key}, nil
		},
	})))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	called := 0
	eachMethod(func(service protoreflect.ServiceDescriptor, method protoreflect.MethodDescriptor) {
		if open[method.FullName()] {
			return
		}
		called++
		path := "/" + string(service.FullName()) + "/" + string(method.Name())
		stream, err := conn.NewStream(t.Context(), &grpc.StreamDesc{ServerStreams: true, ClientStreams: true}, path)
		if err == nil {
			if err = stream.SendMsg(&emptypb.Empty{}); err == nil {
				err = stream.CloseSend()
			}
			if err == nil {
				err = stream.RecvMsg(&emptypb.Empty{})
			}
		}
		if grpcstatus.Code(err) != codes.Unauthenticated {
			t.Errorf("%s: %v", path, err)
		}
	})
	if called < 40 {
		t.Errorf("only %d methods were called", called)
	}
	if asked.Load() {
		t.Error("the services ask for a certificate")
	}
}

// eachMethod calls do for each method of each of our services.
func eachMethod(do func(protoreflect.ServiceDescriptor, protoreflect.MethodDescriptor)) {
	protoregistry.GlobalFiles.RangeFilesByPackage("lamplighter.api.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for j := range service.Methods().Len() {
				do(service, service.Methods().Get(j))
			}
		}
		return true
	})
}
