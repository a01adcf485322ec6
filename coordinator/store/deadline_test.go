package store

import (
	"context"
	"errors"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgproto3"
)

// deaf answers the beginning of a session and nothing after it, as a server does
// from which the network was cut off.
func deaf(conn net.Conn) error {
	backend := pgproto3.NewBackend(conn, conn)
	if _, err := backend.ReceiveStartupMessage(); err != nil {
		return err
	}
	backend.Send(&pgproto3.AuthenticationOk{})
	backend.Send(&pgproto3.ReadyForQuery{TxStatus: 'I'})
	if err := backend.Flush(); err != nil {
		return err
	}
	for {
		if _, err := backend.Receive(); err != nil {
			return nil // the connection is over
		}
	}
}

func TestNobodyWaitsForAServerThatIsCutOff(t *testing.T) {
	for what, ask := range map[string]func(context.Context, *pgx.Conn) error{
		"a statement": func(ctx context.Context, conn *pgx.Conn) error { _, err := conn.Exec(ctx, "select 1"); return err },
		"rows": func(ctx context.Context, conn *pgx.Conn) error {
			return conn.QueryRow(ctx, "select 1").Scan(new(int))
		},
		"a transaction": func(ctx context.Context, conn *pgx.Conn) error { _, err := conn.Begin(ctx); return err },
		"a batch": func(ctx context.Context, conn *pgx.Conn) error {
			batch := &pgx.Batch{}
			batch.Queue("select 1")
			return conn.SendBatch(ctx, batch).Close()
		},
		"a copy": func(ctx context.Context, conn *pgx.Conn) error {
			_, err := conn.CopyFrom(ctx, pgx.Identifier{"t"}, []string{"c"}, pgx.CopyFromRows([][]any{{1}}))
			return err
		},
		"a copy of records": func(ctx context.Context, conn *pgx.Conn) error {
			return copyIn(ctx, conn, newRecordRows([]Record{{}}, []int{0}, time.Time{}), "copy t from stdin (format binary)")
		},
	} {
		t.Run(what, func(t *testing.T) {
			config, err := configure("postgres://u@127.0.0.1:1/d?sslmode=disable", Options{})
			if err != nil {
				t.Fatal(err)
			}
			config.ConnConfig.Tracer = deadline{50 * time.Millisecond, 50 * time.Millisecond}
			client, server := net.Pipe()
			var serving sync.WaitGroup
			serving.Go(func() {
				if err := deaf(server); err != nil {
					t.Error(err)
				}
			})
			way := make(chan net.Conn, 1) // and none for asking to cancel the statement
			way <- client
			config.ConnConfig.DialFunc = func(context.Context, string, string) (net.Conn, error) {
				select {
				case conn := <-way:
					return conn, nil
				default:
					return nil, errors.New("cut off")
				}
			}
			conn, err := pgx.ConnectConfig(t.Context(), config.ConnConfig)
			if err != nil {
				t.Fatal(err)
			}
			if err := ask(t.Context(), conn); !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("got %v", err)
			}
			if !conn.IsClosed() {
				t.Error("the connection is used on")
			}
			_ = server.Close()
			serving.Wait()
		})
	}
}

func TestEveryConnectionHasADeadline(t *testing.T) {
	config, err := configure("postgres://u@127.0.0.1:1/d", Options{StatementTimeout: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	if got := config.ConnConfig.Tracer; got != (deadline{70 * time.Second, 90 * time.Second}) || config.PingTimeout == 0 {
		t.Errorf("%+v, and %v for a connection that was idle", got, config.PingTimeout)
	}
}
