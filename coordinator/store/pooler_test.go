package store

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgproto3"
)

// sessions are what a pooler keeps behind itself: it lends the one that was
// given back last.
type sessions struct {
	mu   sync.Mutex
	free []uint32
}

func (s *sessions) lend() uint32 {
	s.mu.Lock()
	defer s.mu.Unlock()
	last := len(s.free) - 1
	id := s.free[last]
	s.free = s.free[:last]
	return id
}

func (s *sessions) giveBack(id uint32) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.free = append(s.free, id)
}

// serve answers one client the way a pooler does: with transactions, each
// transaction has whatever session is free, else the client has one of its own.
// The messages are those of the Postgres manual, chapter "Message Formats".
func (s *sessions) serve(conn net.Conn, transactions bool) error {
	defer func() { _ = conn.Close() }()
	backend := pgproto3.NewBackend(conn, conn)
	if _, err := backend.ReceiveStartupMessage(); err != nil {
		return err
	}
	backend.Send(&pgproto3.AuthenticationOk{})
	backend.Send(&pgproto3.ParameterStatus{Name: "standard_conforming_strings", Value: "on"})
	backend.Send(&pgproto3.ParameterStatus{Name: "client_encoding", Value: "UTF8"})
	backend.Send(&pgproto3.ReadyForQuery{TxStatus: 'I'})
	var mine uint32 // 0: none is lent
	status := byte('I')
	for {
		if err := backend.Flush(); err != nil {
			return err
		}
		message, err := backend.Receive()
		if err != nil {
			return err
		}
		query, ok := message.(*pgproto3.Query)
		if !ok {
			return nil // Terminate
		}
		if mine == 0 {
			mine = s.lend()
		}
		switch query.String {
		case "begin":
			status = 'T'
		case "commit":
			status = 'I'
		default:
			backend.Send(&pgproto3.RowDescription{Fields: []pgproto3.FieldDescription{{Name: []byte("pid"), DataTypeOID: 23, DataTypeSize: 4}}})
			backend.Send(&pgproto3.DataRow{Values: [][]byte{fmt.Append(nil, mine)}})
		}
		if transactions && status == 'I' {
			s.giveBack(mine)
			mine = 0
		}
		backend.Send(&pgproto3.CommandComplete{CommandTag: []byte("SELECT 1")})
		backend.Send(&pgproto3.ReadyForQuery{TxStatus: status})
	}
}

func TestAPoolerThatMixesSessionsIsRefused(t *testing.T) {
	for name, c := range map[string]struct {
		transactions bool
		free         []uint32
		want         error
	}{
		"a session for each client":          {false, []uint32{12, 11}, nil},
		"a session for each transaction":     {true, []uint32{12, 11}, errTransactionPooler},
		"the same, and others were there":    {true, []uint32{14, 13, 12, 11}, errTransactionPooler},
		"each client has one, of many there": {false, []uint32{14, 13, 12, 11}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			config, err := pgx.ParseConfig("postgres://u@127.0.0.1:1/d?sslmode=disable")
			if err != nil {
				t.Fatal(err)
			}
			pool := &sessions{free: c.free}
			var serving sync.WaitGroup
			config.DialFunc = func(context.Context, string, string) (net.Conn, error) {
				client, server := net.Pipe()
				serving.Go(func() {
					if err := pool.serve(server, c.transactions); err != nil {
						t.Errorf("the pooler: %v", err)
					}
				})
				return client, nil
			}
			if err := checkSessions(t.Context(), config); !errors.Is(err, c.want) {
				t.Errorf("got %v, want %v", err, c.want)
			}
			serving.Wait()
		})
	}
}
