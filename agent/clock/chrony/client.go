package chrony

import (
	"context"
	"fmt"
	"net"
	"time"

	"github.com/facebook/time/ntp/chrony"

	"lamplighter/agent/clock/judge"
)

// Client asks a daemon.
type Client struct {
	// Address is host and port, by UDP, or the path of the daemon's socket, in
	// whose folder one of our own must be allowed; empty: 127.0.0.1:323.
	Address string
	// Beside is whether a receiver is listened to as well, which may be the
	// daemon's reference too.
	Beside bool
}

const (
	every      = time.Second
	answerTime = time.Second
	mostAsked  = 32 // sources
)

func (c Client) address() string {
	if c.Address == "" {
		return "127.0.0.1:323"
	}
	return c.Address
}

func (c Client) String() string { return "chrony at " + c.address() }

// Run asks once a second and tells the answer, until ctx ends or there is none.
func (c Client) Run(ctx context.Context, tell func(judge.Event)) error {
	connection, err := c.connect(ctx)
	if err != nil {
		return fmt.Errorf("chrony can't be asked: %w", err)
	}
	defer func() { _ = connection.Close() }()
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for {
		d, err := c.ask(connection)
		if err != nil {
			return fmt.Errorf("chrony does not answer: %w; is it started, and does it listen at %s?", err, c.address())
		}
		tell(d)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-ticker.C:
		}
	}
}

func (c Client) ask(connection net.Conn) (judge.Daemon, error) {
	if err := connection.SetDeadline(time.Now().Add(answerTime)); err != nil {
		return judge.Daemon{}, err
	}
	client := &chrony.Client{Connection: connection}
	count, err := request[*chrony.ReplySources](client, chrony.NewSourcesPacket())
	if err != nil {
		return judge.Daemon{}, err
	}
	var sources []chrony.SourceData
	for i := range min(count.NSources, mostAsked) {
		source, err := request[*chrony.ReplySourceData](client, chrony.NewSourceDataPacket(int32(i)))
		if err != nil {
			return judge.Daemon{}, err
		}
		sources = append(sources, source.SourceData)
	}
	tracking, err := request[*chrony.ReplyTracking](client, chrony.NewTrackingPacket())
	if err != nil {
		return judge.Daemon{}, err
	}
	return statement(tracking.Tracking, sources, time.Now(), c.Beside), nil
}

func request[T chrony.ResponsePacket](client *chrony.Client, packet chrony.RequestPacket) (T, error) {
	var none T
	answer, err := client.Communicate(packet)
	if err != nil {
		return none, err
	}
	wanted, ok := answer.(T)
	if !ok {
		return none, fmt.Errorf("answered with %T where %T was asked for", answer, none)
	}
	return wanted, nil
}
