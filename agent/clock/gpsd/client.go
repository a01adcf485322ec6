package gpsd

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"time"

	"lamplighter/agent/clock/judge"
)

// Client is a connection to the daemon.
type Client struct {
	Address    string    // host and port; empty: localhost:2947
	Device     string    // the receiver that counts; empty: the first that speaks
	Oscillator func(OSC) // hears of a disciplined oscillator; nil: nobody does
}

const (
	silence = 5 * time.Second
	watch   = `?WATCH={"enable":true,"json":true,"pps":true};` + "\n"
)

func (c Client) address() string {
	if c.Address == "" {
		return "localhost:2947"
	}
	return c.Address
}

func (c Client) String() string { return "gpsd at " + c.address() }

// Run connects and tells what the daemon says, until ctx ends, the daemon falls
// silent or the connection breaks.
func (c Client) Run(ctx context.Context, tell func(judge.Event)) error {
	dialer := net.Dialer{Timeout: silence}
	connection, err := dialer.DialContext(ctx, "tcp", c.address())
	if err != nil {
		return fmt.Errorf("gpsd does not answer: %w; is it started, and is the address right?", err)
	}
	stop := context.AfterFunc(ctx, func() { _ = connection.Close() })
	defer func() {
		if stop() {
			_ = connection.Close()
		}
	}()
	err = c.listen(connection, tell)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return fmt.Errorf("%s: %w", c, err)
}

func (c Client) listen(connection net.Conn, tell func(judge.Event)) error {
	if err := connection.SetDeadline(time.Now().Add(silence)); err != nil {
		return err
	}
	if _, err := io.WriteString(connection, watch); err != nil {
		return err
	}
	receiver := Receiver{Device: c.Device, Oscillator: c.Oscillator}
	lines := bufio.NewReaderSize(connection, MaxLine)
	var unread error // the latest object that could not be read
	for {
		line, err := lines.ReadSlice('\n')
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
			return errors.Join(errors.New("silent for 5 seconds; is a receiver attached, and does it send?"), unread)
		case errors.Is(err, bufio.ErrBufferFull):
			return fmt.Errorf("it sent a line of more than %d bytes", MaxLine)
		case err != nil:
			return fmt.Errorf("the connection broke: %w", err)
		}
		report, err := Decode(line)
		if err != nil {
			unread = fmt.Errorf("it sent what can't be read: %w", err)
			continue
		}
		event, err := receiver.Hear(report)
		if err != nil {
			return err
		}
		if event != nil {
			tell(event)
		}
		if err := connection.SetReadDeadline(time.Now().Add(silence)); err != nil {
			return fmt.Errorf("the connection broke: %w", err)
		}
	}
}
