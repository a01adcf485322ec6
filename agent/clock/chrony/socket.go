package chrony

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
)

// connect opens the way to the daemon. By its socket it answers only to one that
// has a name and that it may write to.
func (c Client) connect(ctx context.Context) (net.Conn, error) {
	if !strings.HasPrefix(c.address(), "/") {
		var dialer net.Dialer
		return dialer.DialContext(ctx, "udp", c.address())
	}
	own := filepath.Join(filepath.Dir(c.address()), fmt.Sprintf("lamplighter.%d.sock", os.Getpid()))
	if err := os.Remove(own); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err // one that an earlier process of this number left
	}
	connection, err := net.DialUnix("unixgram", &net.UnixAddr{Name: own, Net: "unixgram"}, &net.UnixAddr{Name: c.address(), Net: "unixgram"})
	if err != nil {
		_ = os.Remove(own) // it may not exist
		return nil, err
	}
	if err := os.Chmod(own, 0o666); err != nil { //nolint:gosec // the daemon runs as another user
		return nil, errors.Join(err, connection.Close(), os.Remove(own))
	}
	return namedSocket{connection, own}, nil
}

// namedSocket removes its name when it is closed.
type namedSocket struct {
	*net.UnixConn
	name string
}

// Close implements net.Conn.
func (s namedSocket) Close() error { return errors.Join(s.UnixConn.Close(), os.Remove(s.name)) }
