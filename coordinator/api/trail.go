package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people"
	"lamplighter/coordinator/people/caller"
	"lamplighter/coordinator/people/trail"
	"lamplighter/coordinator/store"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// endWithin is how long the end of a call may take to be written into the trail,
// whether its caller waits or not.
const endWithin = 5 * time.Second

// trailWriter adds to the trail.
type trailWriter struct {
	store    *store.Store
	log      *slog.Logger
	failures prometheus.Counter
}

func (w trailWriter) add(ctx context.Context, e trail.Entry) error {
	_, err := w.store.AddToTrail(ctx, e)
	if err != nil {
		w.failures.Inc()
		w.log.ErrorContext(ctx, "the trail lacks an entry", "person", e.Person, "from", e.From, "action", e.Action,
			"site", e.Site, "outcome", string(e.Outcome), "details", e.Details, "error", err)
	}
	return err
}

// passage is one call that was let in, for the trail.
type passage struct {
	gate    *gate
	request proto.Message
	entry   trail.Entry
	rule    rule
	notes   map[string]any
	begun   chan struct{} // closed when the first entry is written, or can't be
}

// entryOf is what the trail says of a call before it begins.
func entryOf(ctx context.Context, method string, request proto.Message) trail.Entry {
	c := caller.From(ctx)
	return trail.Entry{
		Person: c.Name, From: c.From, Via: c.Via, Action: strings.TrimPrefix(method, "/lamplighter.api.v1."),
		Site: siteIn(request), Outcome: trail.Asked, Details: detailsOf(map[string]any{"request": plainly(request)}),
	}
}

// siteIn is the one site that a request names, empty where it names none.
func siteIn(request proto.Message) string {
	if r, ok := request.(interface{ GetSite() string }); ok {
		return r.GetSite()
	}
	if r, ok := request.(interface{ GetScope() *apiv1.HushedScope }); ok {
		return r.GetScope().GetSite()
	}
	return ""
}

// begin writes what is asked. Nothing is changed that the trail does not say;
// but an order to be silent does not wait for that.
func (p *passage) begin(ctx context.Context) error {
	switch {
	case !p.rule.changes, p.rule.afterwards:
		close(p.begun)
	case p.rule.silences:
		go func() {
			defer close(p.begun)
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), endWithin)
			defer cancel()
			_ = p.gate.trail.add(ctx, p.entry) // told of there
		}()
	default:
		defer close(p.begun)
		if err := p.gate.trail.add(ctx, p.entry); err != nil {
			return fault.New(fault.Unavailable, "", "it can't be recorded who does this, so it is not done; orders to be silent are taken all the same")
		}
	}
	return nil
}

// refuse writes that somebody who is known may not.
func (p *passage) refuse(ctx context.Context, reason people.Reason) {
	if !p.rule.changes || reason == people.NotKnown {
		return
	}
	e := p.entry
	e.Outcome, e.Details = trail.Refused, detailsOf(map[string]any{"reason": string(reason)})
	_ = p.gate.trail.add(ctx, e) // told of there
}

// end writes what came of it.
func (p *passage) end(ctx context.Context, answer proto.Message, err error) {
	if p == nil || !p.rule.changes || fault.Of(err) == fault.TooOften { // that is counted, and could fill any disk
		return
	}
	<-p.begun
	e, told := p.entry, p.notes
	if p.rule.afterwards {
		told["request"] = plainly(p.request)
	}
	e.Outcome = trail.Done
	if err != nil {
		e.Outcome = trail.Failed
		told["error"] = map[string]string{"kind": string(fault.Of(err)), "field": fault.Field(err), "sentence": shortened(fault.Sentence(err))}
	} else if answer != nil && !p.rule.hidden {
		told["answer"] = plainly(answer)
	}
	e.Details = detailsOf(told)
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), endWithin)
	defer cancel()
	_ = p.gate.trail.add(ctx, e) // told of there
}

// endSoon is end for an order to be silent, whose caller is not kept waiting for
// long.
func (p *passage) endSoon(ctx context.Context, err error) {
	written := make(chan struct{})
	go func() { // ends within twice endWithin
		defer close(written)
		p.end(ctx, nil, err)
	}()
	soon := time.NewTimer(identifyWithin)
	defer soon.Stop()
	select {
	case <-written:
	case <-soon.C:
	}
}

type passageKey struct{}

// in is a context whose services can note something for the trail.
func (p *passage) in(ctx context.Context) context.Context {
	return context.WithValue(ctx, passageKey{}, p)
}

// note puts something into the entry that says what came of a call, such as how
// it was before. Call it in the goroutine of the call.
func note(ctx context.Context, what string, value any) {
	if p, ok := ctx.Value(passageKey{}).(*passage); ok {
		p.notes[what] = value
	}
}

// detailsOf is JSON, always of the same bytes for the same things.
func detailsOf(things map[string]any) string {
	text, err := json.Marshal(things)
	if err != nil {
		return fmt.Sprintf(`{"unwritable":%q}`, err)
	}
	return string(text)
}

// longestDetail is how long a text may be in the trail; a longer one is named by
// its digest.
const longestDetail = 2000

func shortened(text string) string {
	if len(text) <= longestDetail {
		return text
	}
	sum := sha256.Sum256([]byte(text))
	return fmt.Sprintf("%d bytes, SHA-256 %s", len(text), hex.EncodeToString(sum[:]))
}

// plainly is a message as JSON without secrets and long texts.
func plainly(message proto.Message) json.RawMessage {
	if message == nil {
		return json.RawMessage("null")
	}
	safe := proto.Clone(message)
	clean(safe.ProtoReflect())
	text, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(safe)
	if err != nil {
		return json.RawMessage(`"unwritable"`)
	}
	return text
}

// secretNames are what fields are called that nobody may read in a trail.
var secretNames = []string{"password", "secret", "private"}

func clean(m protoreflect.Message) {
	m.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		switch {
		case isSecret(field):
			m.Clear(field)
		case field.IsMap():
			m.Clear(field) // no message of ours has one
		case field.IsList():
			cleanList(field, value.List())
		case field.Message() != nil:
			clean(value.Message())
		case field.Kind() == protoreflect.StringKind:
			m.Set(field, protoreflect.ValueOfString(shortened(value.String())))
		case field.Kind() == protoreflect.BytesKind && len(value.Bytes()) > longestDetail:
			sum := sha256.Sum256(value.Bytes())
			m.Set(field, protoreflect.ValueOfBytes(sum[:]))
		}
		return true
	})
}

// mostListed is how many entries of a list the trail repeats.
const mostListed = 100

func cleanList(field protoreflect.FieldDescriptor, list protoreflect.List) {
	if list.Len() > mostListed {
		list.Truncate(mostListed)
	}
	for i := range list.Len() {
		switch {
		case field.Message() != nil:
			clean(list.Get(i).Message())
		case field.Kind() == protoreflect.StringKind:
			list.Set(i, protoreflect.ValueOfString(shortened(list.Get(i).String())))
		}
	}
}

func isSecret(field protoreflect.FieldDescriptor) bool {
	if field.Kind() != protoreflect.StringKind && field.Kind() != protoreflect.BytesKind {
		return false
	}
	for _, name := range secretNames {
		if strings.Contains(string(field.Name()), name) {
			return true
		}
	}
	return false
}
