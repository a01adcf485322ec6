package database

import (
	"context"
	"errors"
	"fmt"
	"net"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

// settings are the server's command line.
func (s *Server) settings() []string {
	arguments := []string{"-D", s.folder.data}
	set := func(name, value string) { arguments = append(arguments, "-c", name+"="+value) }
	set("unix_socket_directories", `"`+s.folder.socket+`"`)
	set("unix_socket_permissions", "0700")
	set("timezone", "UTC")
	set("log_timezone", "UTC")
	set("listen_addresses", "")
	set("port", fmt.Sprint(socketPort))
	if s.port != 0 {
		set("listen_addresses", "127.0.0.1")
		set("port", fmt.Sprint(s.port))
	}
	if s.options.Disposable {
		for _, name := range []string{"fsync", "full_page_writes", "synchronous_commit", "autovacuum"} {
			set(name, "off")
		}
	}
	return arguments
}

// choosePort finds a port of 127.0.0.1 that is free now; 0 if none is wanted.
func (s *Server) choosePort() (int, error) {
	if !s.options.TCP {
		return 0, nil
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, fmt.Errorf("no free port on 127.0.0.1 for Postgres: %w", err)
	}
	return listener.Addr().(*net.TCPAddr).Port, listener.Close()
}

// awaitReady returns when a query is answered.
func (s *Server) awaitReady(ctx context.Context, ended <-chan error) error {
	for {
		err := s.ask(ctx, "postgres", "select 1")
		if err == nil {
			return nil
		}
		select {
		case end := <-ended:
			return errors.New(endText(end))
		case <-ctx.Done():
			return fmt.Errorf("no answer: %w", err)
		case <-time.After(askAgain):
		}
	}
}

// furnish gives the cluster its database, and its role the password.
func (s *Server) furnish(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, s.urlOf("postgres"))
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(ctx) }()
	// The password is ours and of letters and digits only.
	if _, err := conn.Exec(ctx, "alter role "+role+" password '"+s.folder.password+"'"); err != nil {
		return err
	}
	var exists bool
	if err := conn.QueryRow(ctx, "select exists (select from pg_database where datname = $1)", databaseName).Scan(&exists); err != nil || exists {
		return err
	}
	_, err = conn.Exec(ctx, "create database "+databaseName)
	return err
}

func (s *Server) ask(ctx context.Context, database, query string) error {
	conn, err := pgx.Connect(ctx, s.urlOf(database))
	if err != nil {
		return err
	}
	_, err = conn.Exec(ctx, query)
	return errors.Join(err, conn.Close(ctx))
}

// shutDown ends the process: politely, then firmly, then at once.
func (s *Server) shutDown(ended <-chan error) {
	s.mu.Lock()
	process := s.process
	s.mu.Unlock()
	for _, step := range []struct {
		signal syscall.Signal
		grace  time.Duration
	}{{syscall.SIGINT, interruptGrace}, {syscall.SIGQUIT, quitGrace}} {
		_ = process.Signal(step.signal) // it may be gone: then ended says so
		select {
		case <-ended: //nolint:errcheck // how it ended is told elsewhere
			return
		case <-time.After(step.grace):
			s.options.Logger.Error("Postgres did not end in time", "signal", step.signal, "waited", step.grace)
		}
	}
	_ = syscall.Kill(-process.Pid, syscall.SIGKILL)
	<-ended //nolint:errcheck // as above
}

// awaitRelease waits for a server that still shuts down in the same folder.
func (f folder) awaitRelease(ctx context.Context) error {
	deadline := time.Now().Add(interruptGrace)
	for {
		id, ours := f.locker()
		if !ours {
			return nil
		}
		if time.Now().After(deadline) || ctx.Err() != nil {
			return fmt.Errorf("Postgres already runs in %s as process %d: stop the program that uses it, or choose another folder", f.root, id)
		}
		pause(ctx, askAgain)
	}
}

func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

func endText(err error) string {
	if err == nil {
		return "it exited"
	}
	return err.Error()
}
