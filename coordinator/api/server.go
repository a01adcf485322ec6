package api

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"time"

	grpcprom "github.com/grpc-ecosystem/go-grpc-middleware/providers/prometheus"
	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors/logging"
	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors/recovery"
	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people/accounts"
	"lamplighter/coordinator/reporting"
	"lamplighter/coordinator/store"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/seal"
)

// Sizes of messages. A fleet file has at most 16 MiB, and the plan of a whole
// nation fits into an answer.
const (
	maxRequestBytes = maxYAMLBytes + 1<<16
	MaxAnswerBytes  = 64 << 20
)

// stopWithin is how long Stop waits for calls to end by themselves.
const stopWithin = 2 * time.Second

// Options are what the services work with; all but OpenID and Open are required.
type Options struct {
	Store   *store.Store
	Fleets  *store.Fleets
	Hushes  Hushes
	Configs Configs
	Applied func() // called when another fleet file is in force
	Trials  Trials

	Devices       Devices
	DeviceAddress func() string // where devices ask to be let in, HOST:PORT; empty: nowhere

	Signer   *seal.Signer
	Accounts *accounts.Accounts
	OpenID   string // the issuer that log-ins may come from; may be empty
	Open     bool   // whoever calls from this computer, without a token, may do everything

	Log     *slog.Logger
	Metrics prometheus.Registerer
}

// Server is the gRPC server.
type Server struct {
	grpc    *grpc.Server
	local   *local
	health  *health.Server
	stopped context.CancelFunc // ends the streams
}

// New makes the server; it answers from Serve.
func New(options Options) (*Server, error) {
	counting := grpcprom.NewServerMetrics()
	if err := options.Metrics.Register(counting); err != nil {
		return nil, err
	}
	gate, err := newGate(options)
	if err != nil {
		return nil, err
	}
	running, stopped := context.WithCancel(context.Background())
	translate, recovered := translator{options.Log}, recovery.WithRecoveryHandlerContext(recovered)
	logger := logging.LoggerFunc(func(ctx context.Context, level logging.Level, message string, fields ...any) {
		options.Log.Log(ctx, slog.Level(level)+slog.LevelDebug, message, fields...)
	})
	finished := logging.WithLogOnEvents(logging.FinishCall)
	services := &local{
		services: map[string]registered{},
		unary: []grpc.UnaryServerInterceptor{
			counting.UnaryServerInterceptor(), logging.UnaryServerInterceptor(logger, finished),
			translate.unary, recovery.UnaryServerInterceptor(recovered), gate.unary,
		},
		stream: []grpc.StreamServerInterceptor{
			counting.StreamServerInterceptor(), logging.StreamServerInterceptor(logger, finished),
			translate.stream, recovery.StreamServerInterceptor(recovered), gate.stream,
		},
	}
	server := grpc.NewServer(
		grpc.MaxRecvMsgSize(maxRequestBytes), grpc.MaxSendMsgSize(MaxAnswerBytes),
		grpc.ConnectionTimeout(10*time.Second), grpc.MaxConcurrentStreams(100),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 10 * time.Second, PermitWithoutStream: true}),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: time.Minute, Timeout: 20 * time.Second}),
		grpc.ChainUnaryInterceptor(services.unary...), grpc.ChainStreamInterceptor(services.stream...),
	)
	services.next = server
	apiv1.RegisterFleetServiceServer(services, &fleetService{options: options})
	apiv1.RegisterPlanServiceServer(services, &planService{options: options})
	apiv1.RegisterHushServiceServer(services, &hushService{options: options})
	apiv1.RegisterBeaconServiceServer(services, &beaconService{options: options, running: running})
	apiv1.RegisterHistoryServiceServer(services, &historyService{options: options})
	apiv1.RegisterDeviceServiceServer(services, &deviceService{options: options})
	apiv1.RegisterReportServiceServer(services, newReportService(options))
	apiv1.RegisterHeardServiceServer(services, &heardService{reporter: reporting.Reporter{Store: options.Store, Fleets: options.Fleets}})
	apiv1.RegisterAccountServiceServer(services, &accountService{options: options})
	apiv1.RegisterPeopleServiceServer(services, &peopleService{options: options})
	apiv1.RegisterDutyServiceServer(services, &dutyService{options: options})
	apiv1.RegisterAlertServiceServer(services, &alertService{options: options})
	apiv1.RegisterAuditServiceServer(services, &auditService{options: options})
	apiv1.RegisterPublicServiceServer(services, &publicService{options: options})
	s := &Server{grpc: server, local: services, health: health.NewServer(), stopped: stopped}
	healthv1.RegisterHealthServer(server, s.health)
	reflection.Register(server)
	for name := range server.GetServiceInfo() {
		s.health.SetServingStatus(name, healthv1.HealthCheckResponse_SERVING)
	}
	return s, nil
}

// recovered turns a panic of a service into an error for the log.
func recovered(_ context.Context, cause any) error {
	return fault.New(fault.Internal, "", "a service panicked: %v", cause)
}

// Serve answers calls until Stop.
func (s *Server) Serve(listener net.Listener) error {
	if err := s.grpc.Serve(listener); err != nil && !errors.Is(err, grpc.ErrServerStopped) {
		return err
	}
	return nil
}

// Stop lets the calls that run come to an end, for two seconds at most.
func (s *Server) Stop() {
	s.health.Shutdown()
	s.stopped()
	cut := time.AfterFunc(stopWithin, s.grpc.Stop)
	defer cut.Stop()
	s.grpc.GracefulStop()
}
