package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Waits of the external client.
const (
	keepAlive      = 30 * time.Second
	pingTimeout    = 10 * time.Second
	connectTimeout = 10 * time.Second
	writeTimeout   = 5 * time.Second
	answerTimeout  = 10 * time.Second // for a SUBACK or a PUBACK
	partingMS      = 250              // for a DISCONNECT to be written
)

// link is one connection to the broker outside, with a client of its own.
type link struct {
	client   paho.Client
	handlers sync.WaitGroup
	lost     chan struct{} // closed when the connection is no more
	once     sync.Once
	err      error // why; read after lost is closed

	mu     sync.Mutex
	conn   net.Conn
	closed bool
}

// dial connects and subscribes. Only a link with every subscription granted is
// one.
func (e *external) dial(ctx context.Context) (*link, error) {
	l := &link{lost: make(chan struct{})}
	options := paho.NewClientOptions().
		AddBroker(e.options.URL).SetClientID(e.options.ClientID).
		SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).
		SetProtocolVersion(4).
		SetKeepAlive(keepAlive).SetPingTimeout(pingTimeout).
		SetConnectTimeout(connectTimeout).SetWriteTimeout(writeTimeout).
		SetConnectionLostHandler(func(_ paho.Client, err error) { l.lose(err) }).
		SetCustomOpenConnectionFn(func(address *url.URL, _ paho.ClientOptions) (net.Conn, error) {
			return l.open(ctx, address, e.options.TLS, e.deliveries)
		})
	l.client = paho.NewClient(options)
	if err := l.wait(ctx, l.client.Connect()); err != nil {
		l.close()
		return nil, fmt.Errorf("no connection: %w", err)
	}
	filters := subscriptions(e.options.Network, e.options.ClientID)
	token := l.client.SubscribeMultiple(filters, nil)
	err := l.wait(ctx, token)
	if err == nil {
		err = granted(token.(*paho.SubscribeToken).Result(), filters)
	}
	if err != nil {
		l.close()
		return nil, fmt.Errorf("no subscription: %w", err)
	}
	return l, nil
}

// granted looks at the broker's answer: a refused subscription is no error to
// the library.
func granted(result, asked map[string]byte) error {
	for filter := range asked {
		code, ok := result[filter]
		if !ok || code > 2 { // 0x80: failure (MQTT 3.1.1, section 3.9.3)
			return fmt.Errorf("the broker refuses to let the coordinator read %s: allow it in the broker's access list", filter)
		}
	}
	return nil
}

// open dials by hand, so that the end of the connection is seen here too: the
// library can hang when a connection is closed under it.
func (l *link) open(ctx context.Context, address *url.URL, secure func() *tls.Config, deliveries chan<- Delivery) (net.Conn, error) {
	conn, err := (&net.Dialer{Timeout: connectTimeout}).DialContext(ctx, "tcp", address.Host)
	if err != nil {
		return nil, err
	}
	if address.Scheme == "ssl" {
		if conn, err = handshake(ctx, conn, secure()); err != nil {
			return nil, err
		}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return nil, errors.Join(net.ErrClosed, conn.Close())
	}
	l.conn = conn
	heard := newStream(conn, l.lose)
	l.handlers.Go(func() { heard.hand(deliveries, l.lost) })
	l.handlers.Go(func() { heard.write(l.lost) })
	return heard, nil
}

// handshake makes a connection a secure one.
func handshake(ctx context.Context, conn net.Conn, config *tls.Config) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, connectTimeout)
	defer cancel()
	secured := tls.Client(conn, config)
	if err := secured.HandshakeContext(ctx); err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	return secured, nil
}

func (l *link) lose(err error) {
	l.once.Do(func() {
		l.err = err
		close(l.lost)
	})
}

func (l *link) why() error {
	<-l.lost
	return l.err
}

// close ends the link and waits for what it began.
func (l *link) close() {
	select {
	case <-l.lost: // nobody there to take leave of
	default:
		l.client.Disconnect(partingMS)
	}
	l.lose(net.ErrClosed)
	l.mu.Lock()
	l.closed = true
	if l.conn != nil {
		_ = l.conn.Close()
	}
	l.mu.Unlock()
	l.client.Disconnect(0)
	l.handlers.Wait()
}

var errNoAnswer = errors.New("the broker does not answer")

// wait waits for the broker's answer.
func (l *link) wait(ctx context.Context, token paho.Token) error {
	timer := time.NewTimer(answerTimeout)
	defer timer.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case <-l.lost:
		if err := token.Error(); err != nil {
			return err
		}
		return l.why()
	case <-timer.C:
		return errNoAnswer
	case <-ctx.Done():
		return ctx.Err()
	}
}
