package broker

import (
	"crypto/tls"
	"errors"
	"io"
	"net"
	"os"
	"syscall"
	"testing"
	"testing/synctest"
	"time"
)

// Beyond the limit a connection is closed at once, and one that ends makes room.
func TestConnectionsAreCapped(t *testing.T) {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	const most = 3
	capped := NewCapped(inner, most)
	t.Cleanup(func() { _ = capped.Close() })
	accepted := make(chan net.Conn, 10)
	go func() {
		for {
			conn, err := capped.Accept()
			if err != nil {
				return
			}
			accepted <- conn
		}
	}()
	dial := func() net.Conn {
		conn, err := net.Dial("tcp", inner.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close() })
		return conn
	}
	var taken []net.Conn
	for range most {
		dial()
		taken = append(taken, receive(t, accepted))
	}
	over := dial()
	if _, err := over.Read(make([]byte, 1)); err == nil {
		t.Error("one too many was not closed")
	}
	if err := taken[0].Close(); err != nil {
		t.Fatal(err)
	}
	_ = taken[0].Close() // twice makes no room for two
	dial()
	taken = append(taken, receive(t, accepted))
	if _, err := dial().Read(make([]byte, 1)); err == nil {
		t.Error("an end that was told twice made room for two")
	}
	for _, conn := range taken {
		_ = conn.Close()
	}
}

// fullListener has no descriptor left for the first connections.
type fullListener struct {
	net.Listener
	full int
}

func (l *fullListener) Accept() (net.Conn, error) {
	if l.full > 0 {
		l.full--
		return nil, &net.OpError{Op: "accept", Err: os.NewSyscallError("accept4", syscall.EMFILE)}
	}
	return nil, net.ErrClosed
}

// A moment without descriptors is not the end of a listener.
func TestAcceptingGoesOnWhenDescriptorsAreThereAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		inner := &fullListener{full: 3}
		if _, err := NewCapped(inner, 1).Accept(); !errors.Is(err, net.ErrClosed) || inner.full != 0 {
			t.Errorf("%v, and %d attempts were left", err, inner.full)
		}
	})
}

// Whoever connects and does not say who they are, in the handshake of TLS or
// after it, is cut off after the patience of ten seconds.
func TestASilentStrangerIsCutOff(t *testing.T) {
	t.Parallel()
	p := securePlaces["embedded"](t)
	certificate := p.office.device(p.office.authority, mill, time.Now())
	address := p.broker.Addr()
	silent, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	shaken, err := tls.Dial("tcp", address, p.office.speak(&certificate))
	if err != nil {
		t.Fatal(err)
	}
	for name, conn := range map[string]net.Conn{"before the handshake": silent, "after the handshake": shaken} {
		if err := conn.SetReadDeadline(time.Now().Add(6 * patience)); err != nil {
			t.Fatal(err)
		}
		if _, err := io.ReadAll(conn); isTimeout(err) {
			t.Errorf("%s: still connected after %s", name, 6*patience)
		}
		_ = conn.Close()
	}
}

func isTimeout(err error) bool {
	timeout, ok := err.(net.Error) //nolint:errorlint // straight from the connection
	return ok && timeout.Timeout()
}

// A message beyond the limit ends its sender's connection before it is taken in.
func TestAMessageThatIsTooLargeEndsTheConnection(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"embedded", "embedded, WebSocket"} {
		p := securePlaces[name](t)
		certificate := p.office.device(p.office.authority, mill, time.Now())
		agent, _, err := p.connect(t, mill.ClientID(), &certificate)
		if err != nil {
			t.Fatal(err)
		}
		agent.Publish(mill.Topic("up/records"), 1, false, make([]byte, maxPacketBytes+1))
		deadline := time.NewTimer(time.Minute)
		defer deadline.Stop()
		again := time.NewTicker(10 * time.Millisecond)
		defer again.Stop()
		for agent.IsConnectionOpen() {
			select {
			case d := <-p.broker.Deliveries():
				t.Fatalf("%s: %d bytes were taken in", name, len(d.Payload))
			case <-again.C:
			case <-deadline.C:
				t.Fatalf("%s: its connection is still open", name)
			}
		}
	}
}
