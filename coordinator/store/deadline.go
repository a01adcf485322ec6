package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// deadline ends each statement here a while after the server ends it there
// (statement_timeout): a server that is cut off in the middle says nothing, and
// TCP may wait a quarter of an hour for it. The connection is then closed, and
// whoever asked is told. The library calls it around each statement.
type deadline struct{ statement, batch time.Duration }

func deadlineAfter(statementTimeout time.Duration) deadline {
	return deadline{statementTimeout + answerGrace, statementTimeout + batchGrace}
}

// How much longer than the server we wait for a statement, and for a batch of
// them, each of which the server gives its time.
const (
	answerGrace = 10 * time.Second
	batchGrace  = 30 * time.Second
)

// cancelKey finds what frees a statement's timer in its context.
type cancelKey struct{}

func limited(ctx context.Context, most time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(ctx, most)
	return context.WithValue(ctx, cancelKey{}, cancel)
}

func ended(ctx context.Context) {
	if cancel, ok := ctx.Value(cancelKey{}).(context.CancelFunc); ok {
		cancel()
	}
}

// TraceQueryStart begins the time of a statement.
func (d deadline) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	return limited(ctx, d.statement)
}

// TraceQueryEnd is called when its rows are read.
func (deadline) TraceQueryEnd(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryEndData) { ended(ctx) }

// TraceCopyFromStart begins the time of a copy.
func (d deadline) TraceCopyFromStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceCopyFromStartData) context.Context {
	return limited(ctx, d.statement)
}

// TraceCopyFromEnd is called when it is over.
func (deadline) TraceCopyFromEnd(ctx context.Context, _ *pgx.Conn, _ pgx.TraceCopyFromEndData) {
	ended(ctx)
}

// TraceBatchStart begins the time of a batch.
func (d deadline) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	return limited(ctx, d.batch)
}

// TraceBatchQuery is called within a batch.
func (deadline) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}

// TraceBatchEnd is called when it is over.
func (deadline) TraceBatchEnd(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchEndData) { ended(ctx) }
