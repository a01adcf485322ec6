// Package local lets a program on the same machine ask a running agent how it
// is. The socket has a name in the kernel's own space, no file, so that nothing
// is left behind by an agent that was killed and nothing wears out a card. It
// says nothing that the beacon does not tell the coordinator, and takes nothing
// in.
package local

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"path/filepath"
	"time"

	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/setup"
)

const (
	patience = 2 * time.Second
	maxBytes = 64 << 10
)

// address is the socket of the agent with this configuration.
func address(file *setup.File) (*net.UnixAddr, error) {
	folder, err := filepath.Abs(file.Folder)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256([]byte(file.Network + "/" + file.Beacon + "/" + folder))
	return &net.UnixAddr{Name: "@lamplighter-agent/" + hex.EncodeToString(sum[:16]), Net: "unix"}, nil
}

// Serve answers with what ask says until ctx ends.
func Serve(ctx context.Context, file *setup.File, ask func(context.Context) *wirev1.Health) error {
	at, err := address(file)
	if err != nil {
		return err
	}
	listener, err := net.ListenUnix("unix", at)
	if err != nil {
		return fmt.Errorf("nobody on this machine can ask the agent how it is: %w", err)
	}
	stop := context.AfterFunc(ctx, func() { _ = listener.Close() })
	defer stop()
	for {
		connection, err := listener.AcceptUnix()
		if err != nil {
			return errors.Join(ctx.Err(), err)
		}
		answer(ctx, connection, ask)
	}
}

// answer writes one answer. Who asks and does not read gets none.
func answer(ctx context.Context, connection net.Conn, ask func(context.Context) *wirev1.Health) {
	defer func() { _ = connection.Close() }()
	health := ask(ctx)
	if health == nil {
		return
	}
	message, err := proto.Marshal(health)
	if err != nil || connection.SetDeadline(time.Now().Add(patience)) != nil {
		return
	}
	_, _ = connection.Write(message) // who asked sees that it is cut short
}

// ErrNotRunning is what Ask says when no agent with this configuration runs.
var ErrNotRunning = errors.New("no agent runs here with this configuration")

// Ask asks the agent with this configuration how it is.
func Ask(ctx context.Context, file *setup.File) (*wirev1.Health, error) {
	at, err := address(file)
	if err != nil {
		return nil, err
	}
	dialer := net.Dialer{Timeout: patience}
	connection, err := dialer.DialContext(ctx, "unix", at.Name)
	if err != nil {
		return nil, fmt.Errorf("%w (%w)", ErrNotRunning, err)
	}
	defer func() { _ = connection.Close() }()
	if err := connection.SetDeadline(time.Now().Add(patience)); err != nil {
		return nil, err
	}
	message, err := io.ReadAll(io.LimitReader(connection, maxBytes))
	if err != nil || len(message) == 0 {
		return nil, fmt.Errorf("the agent runs and does not answer: %w", errors.Join(err, io.ErrUnexpectedEOF))
	}
	health := &wirev1.Health{}
	return health, proto.Unmarshal(message, health)
}
