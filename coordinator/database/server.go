package database

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"os/exec"
	"strconv"
	"sync"
	"time"
)

// Options say how a private Postgres is to run.
type Options struct {
	// Dir is the folder that holds everything; made if it is not there.
	Dir string
	// Binaries is the bin folder of a Postgres installation; empty: found.
	Binaries string
	// TCP lets it listen on a free port of 127.0.0.1 too.
	TCP bool
	// Disposable is for tests only: what it stores need not survive a crash.
	Disposable bool
	// Logger hears what the server says, at level debug, and of its restarts.
	Logger *slog.Logger
}

// How long things may take.
const (
	readyWithin    = 60 * time.Second // recovery of a large database included
	firstAttempts  = 5
	askAgain       = 20 * time.Millisecond
	interruptGrace = 10 * time.Second
	quitGrace      = 5 * time.Second
	outputGrace    = time.Second // for what children of a dead server still say
	shortestPause  = 100 * time.Millisecond
	longestPause   = 10 * time.Second
	healthyAfter   = time.Minute
)

// Server is a private Postgres that runs until Stop.
type Server struct {
	options  Options
	binaries string
	owner    account
	folder   folder
	port     int // on 127.0.0.1; 0: none
	log      *tail

	stopOnce sync.Once
	stop     chan struct{}
	done     chan struct{}

	mu      sync.Mutex
	process *os.Process
}

// Start makes or finds the database in options.Dir and returns when it answers.
func Start(ctx context.Context, options Options) (*Server, error) {
	if options.Logger == nil {
		options.Logger = slog.New(slog.DiscardHandler)
	}
	s := &Server{options: options, log: &tail{logger: options.Logger}, stop: make(chan struct{}), done: make(chan struct{})}
	var err error
	if s.binaries, err = find(options.Binaries); err != nil {
		return nil, err
	}
	if s.owner, err = chooseAccount(dataIn(options.Dir)); err != nil {
		return nil, err
	}
	if s.folder, err = prepare(options.Dir, s.owner); err != nil {
		return nil, err
	}
	ended, err := s.begin(ctx)
	if err != nil {
		return nil, errors.Join(err, s.folder.leave())
	}
	go s.supervise(ended)
	if err := s.furnish(ctx); err != nil {
		return nil, errors.Join(err, s.Stop())
	}
	return s, nil
}

// begin gets the server to answer for the first time. What an earlier end left
// behind may be in the way for a moment, so it tries more than once.
func (s *Server) begin(ctx context.Context) (<-chan error, error) {
	ctx, cancel := context.WithTimeout(ctx, readyWithin)
	defer cancel()
	if err := s.folder.awaitRelease(ctx); err != nil {
		return nil, err
	}
	if err := s.folder.initialise(ctx, s.binaries, s.owner, s.options.Disposable); err != nil {
		return nil, err
	}
	var err error
	for range firstAttempts {
		var ended <-chan error
		if s.port, err = s.choosePort(); err != nil {
			return nil, err
		}
		if ended, err = s.launch(); err != nil {
			return nil, err
		}
		err = s.awaitReady(ctx, ended)
		if err == nil {
			return ended, nil
		}
		if ctx.Err() != nil {
			s.shutDown(ended)
			break
		}
		pause(ctx, shortestPause)
	}
	return nil, fmt.Errorf("Postgres in %s does not start: %w: %s", s.folder.root, err, s.log.last())
}

// supervise keeps the server running until Stop.
func (s *Server) supervise(ended <-chan error) {
	defer close(s.done)
	wait, began := shortestPause, time.Now()
	for {
		var end error
		select {
		case <-s.stop:
			s.shutDown(ended)
			return
		case end = <-ended:
		}
		if time.Since(began) > healthyAfter {
			wait = shortestPause
		}
		s.options.Logger.Error("Postgres ended by itself and is started again", "end", endText(end), "pause", wait, "said", s.log.last())
		select {
		case <-s.stop:
			return
		case <-time.After(wait):
		}
		wait, began = min(2*wait, longestPause), time.Now()
		ended = s.relaunch()
	}
}

// relaunch starts the server again; a failure counts as an end.
func (s *Server) relaunch() <-chan error {
	ended, err := s.launch()
	if err != nil {
		failed := make(chan error, 1)
		failed <- err
		return failed
	}
	return ended
}

// launch starts the process on a thread that lives as long as it does, and
// tells when it ends.
func (s *Server) launch() (<-chan error, error) {
	if err := s.folder.dropStaleLock(); err != nil {
		return nil, err
	}
	command := exec.Command(s.binaries+"/postgres", s.settings()...)
	command.Dir, command.Env, command.SysProcAttr = s.folder.data, environment(), attributes(s.owner)
	command.Stdout, command.Stderr = s.log, s.log
	command.WaitDelay = outputGrace
	began, ended := make(chan error, 1), make(chan error, 1)
	go bound(func() {
		err := command.Start()
		began <- err
		if err == nil {
			ended <- command.Wait()
		}
	})
	if err := <-began; err != nil {
		return nil, fmt.Errorf("%s cannot be run: %w", command.Path, err)
	}
	s.mu.Lock()
	s.process = command.Process
	s.mu.Unlock()
	return ended, nil
}

// Stop ends the server and returns when it is gone.
func (s *Server) Stop() error {
	s.stopOnce.Do(func() { close(s.stop) })
	<-s.done
	return s.folder.leave()
}

// URL is how to reach the database over the server's socket.
func (s *Server) URL() string { return s.urlOf(databaseName) }

func (s *Server) urlOf(database string) string {
	query := url.Values{"host": {s.folder.socket}, "port": {strconv.Itoa(socketPort)}}
	if s.port != 0 {
		query.Set("port", strconv.Itoa(s.port))
	}
	return "postgres://" + role + "@/" + database + "?" + query.Encode()
}

// TCPURL is how to reach the database over TCP, password included; empty unless
// Options.TCP was set.
func (s *Server) TCPURL() string {
	if s.port == 0 {
		return ""
	}
	return fmt.Sprintf("postgres://%s:%s@127.0.0.1:%d/%s?sslmode=disable", role, s.folder.password, s.port, databaseName)
}

// Process is the number of the server's process.
func (s *Server) Process() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.process.Pid
}
