package api

import (
	"context"
	"log/slog"
	"net"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people"
	"lamplighter/coordinator/people/accounts"
	"lamplighter/coordinator/people/caller"
)

// identifyWithin is how long an order to be silent waits to learn from the
// database who gives it, before it goes by who was known lately.
const identifyWithin = 500 * time.Millisecond

// Operator is who acts where everybody on this computer may do everything.
const Operator = "operator on the coordinator's computer"

// gate lets calls in: it finds out who calls, looks at the rule of the method,
// and writes into the trail what is asked and what comes of it. It stands before
// every service, and no service decides any of this itself.
type gate struct {
	accounts *accounts.Accounts
	known    known
	trail    trailWriter
	open     bool
	log      *slog.Logger
	refused  *prometheus.CounterVec
}

func newGate(options Options) (*gate, error) {
	g := &gate{
		accounts: options.Accounts, known: known{options.Fleets, options.Store}, open: options.Open, log: options.Log,
		trail: trailWriter{options.Store, options.Log, prometheus.NewCounter(prometheus.CounterOpts{
			Name: "lamplighter_trail_failures_total",
			Help: "Entries that could not be added to the trail.",
		})},
		refused: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "lamplighter_calls_refused_total",
			Help: "Calls of services that were refused, by why.",
		}, []string{"reason"}),
	}
	for _, reason := range []people.Reason{people.NotKnown, people.PasswordDue, people.RoleTooLow, people.OtherSite, people.UnknownAction} {
		g.refused.WithLabelValues(string(reason))
	}
	if err := options.Metrics.Register(g.trail.failures); err != nil {
		return nil, err
	}
	return g, options.Metrics.Register(g.refused)
}

// unary is the interceptor of calls with one answer.
func (g *gate) unary(ctx context.Context, request any, call *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	ctx, rule, err := g.identify(ctx, call.FullMethod)
	if err != nil {
		return nil, err
	}
	message, _ := request.(proto.Message)
	passage, err := g.admit(ctx, rule, call.FullMethod, message)
	if err != nil {
		return nil, err
	}
	answer, err := next(passage.in(ctx), request)
	told, _ := answer.(proto.Message)
	passage.end(ctx, told, err)
	return answer, err
}

// stream is the interceptor of calls with a stream of answers: it looks at the
// request when the service takes it.
func (g *gate) stream(service any, stream grpc.ServerStream, call *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	ctx, rule, err := g.identify(stream.Context(), call.FullMethod)
	if err != nil {
		return err
	}
	looked := &lookedAt{ServerStream: stream, ctx: ctx, gate: g, rule: rule, method: call.FullMethod}
	err = next(service, looked)
	if rule.silences {
		looked.passage.endSoon(ctx, err)
	} else {
		looked.passage.end(ctx, nil, err)
	}
	return err
}

// lookedAt is a stream whose first message is looked at.
type lookedAt struct {
	grpc.ServerStream
	ctx     context.Context //nolint:containedctx // a stream has the context of its call
	gate    *gate
	rule    rule
	method  string
	passage *passage // nil: nothing was asked yet
}

func (l *lookedAt) Context() context.Context { return l.ctx }

func (l *lookedAt) RecvMsg(into any) error {
	if err := l.ServerStream.RecvMsg(into); err != nil || l.passage != nil {
		return err
	}
	message, _ := into.(proto.Message)
	var err error
	l.passage, err = l.gate.admit(l.ctx, l.rule, l.method, message)
	return err
}

// identify finds out who calls and which rule stands for the method.
func (g *gate) identify(ctx context.Context, method string) (context.Context, rule, error) {
	rule, known := rules[method]
	if !known {
		g.refused.WithLabelValues(string(people.UnknownAction)).Inc()
		return ctx, rule, fault.New(fault.Forbidden, "", "no rule lets anybody call %s", method)
	}
	if caller.Present(ctx) {
		return ctx, rule, nil
	}
	c, err := g.caller(ctx, rule)
	return caller.With(ctx, c), rule, err
}

// caller is who calls by what came with the call.
func (g *gate) caller(ctx context.Context, r rule) (caller.Caller, error) {
	c := caller.Caller{From: addressOf(ctx)}
	secret, shown := tokenOf(ctx)
	if !shown || r.action == "" {
		if g.open && !shown && near(c.From) {
			c.Person, c.Via = people.Person{Name: Operator, Role: people.Admin}, "loopback"
		}
		return c, nil
	}
	var err error
	if c.Person, err = g.byToken(ctx, secret, r); accounts.Unknown(err) {
		g.refused.WithLabelValues(string(people.NotKnown)).Inc()
		return c, fault.New(fault.NotKnown, "", "the token is not known, or it has ended: get another with lamplighter login NAME")
	}
	c.Via = "token"
	return c, err
}

// byToken asks the database; for an order to be silent not for long, and then
// goes by who was let in lately.
func (g *gate) byToken(ctx context.Context, secret string, r rule) (people.Person, error) {
	if !r.silences {
		return g.accounts.ByToken(ctx, secret)
	}
	person, lately, err := g.accounts.ForSilence(ctx, g.accounts.ByToken, secret)
	if lately {
		g.log.WarnContext(ctx, "an order to be silent is let in on who was known lately", "person", person.Name)
	}
	return person, err
}

// tokenOf is the token that came with a call.
func tokenOf(ctx context.Context) (string, bool) {
	from, _ := metadata.FromIncomingContext(ctx)
	for _, value := range from.Get("authorization") {
		if kind, secret, ok := strings.Cut(value, " "); ok && strings.EqualFold(kind, "Bearer") {
			return strings.TrimSpace(secret), true
		}
	}
	return "", false
}

// addressOf is where a call comes from, without the port; empty: from within
// this process.
func addressOf(ctx context.Context) string {
	from, ok := peer.FromContext(ctx)
	if !ok {
		return ""
	}
	text := from.Addr.String()
	if host, _, err := net.SplitHostPort(text); err == nil {
		return host
	}
	return text
}

// near says whether an address is this computer.
func near(address string) bool {
	ip := net.ParseIP(address)
	return address == "" || address == "bufconn" || ip != nil && ip.IsLoopback()
}

// admit looks at the rule, and begins the entry in the trail.
func (g *gate) admit(ctx context.Context, r rule, method string, request proto.Message) (*passage, error) {
	p := &passage{gate: g, request: request, entry: entryOf(ctx, method, request), rule: r, notes: map[string]any{}, begun: make(chan struct{})}
	if r.action != "" {
		if err := p.check(ctx, request); err != nil {
			close(p.begun)
			return nil, err
		}
	}
	return p, p.begin(ctx)
}

// check says why the caller may not make this call.
func (p *passage) check(ctx context.Context, request proto.Message) error {
	who, sites := caller.From(ctx).Person, []string{""}
	reason := people.May(who, p.rule.action, "")
	// Who may do it for the whole network may do it for each site, and the fleet
	// need not be asked for.
	if reason == people.OtherSite && p.rule.sites != nil {
		named, err := p.rule.sites(ctx, p.gate.known, request)
		if err != nil {
			return err
		}
		if len(named) > 0 {
			sites = named
		}
	}
	for _, site := range sites {
		if reason = people.May(who, p.rule.action, site); reason != people.Allowed {
			p.gate.refused.WithLabelValues(string(reason)).Inc()
			p.refuse(ctx, reason)
			kind := fault.Forbidden
			if reason == people.NotKnown {
				kind = fault.NotKnown
			}
			return fault.New(kind, "", "%s", reason.Sentence(p.rule.action, site))
		}
	}
	return nil
}
