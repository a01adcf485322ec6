package gpsd

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/agent/clock/judge"
)

// played is what a connection came to on which these lines were sent, each a
// second after the other, and then nothing any more.
func played(t *testing.T, hangUp bool, lines ...string) (events []judge.Event, took time.Duration, err error) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		here, there := net.Pipe()
		defer func() { _, _ = here.Close(), there.Close() }()
		go func() {
			if asked, err := bufio.NewReader(there).ReadString('\n'); err != nil || asked != watch {
				t.Errorf("asked %q (%v)", asked, err)
			}
			for _, line := range lines {
				<-time.After(time.Second)
				_, _ = io.WriteString(there, line)
			}
			if hangUp {
				_ = there.Close()
			}
		}()
		began := time.Now()
		err = Client{}.listen(here, func(e judge.Event) { events = append(events, e) })
		took = time.Since(began)
	})
	return events, took, err
}

func TestConnection(t *testing.T) {
	for _, test := range []struct {
		name   string
		hangUp bool
		lines  []string
		events int
		took   time.Duration
		says   string
	}{
		{"silence is a fault", false, nil, 0, silence, "silent for 5 seconds"},
		{"after some lines too", false, []string{exampleTPV + "\r\n", exampleNone + "\r\n"}, 2, 2*time.Second + silence, "silent for 5 seconds"},
		{"a line in two pieces", true, []string{exampleTPV[:30], exampleTPV[30:] + "\n"}, 1, 2 * time.Second, "the connection broke"},
		{"nonsense is passed over, but counts as silence", false, []string{"nonsense\n", "nonsense\n", exampleTPV + "\n", "nonsense\n"}, 1, 3*time.Second + silence, "can't be read"},
		{"a line without end", false, []string{strings.Repeat("x", MaxLine+1)}, 0, time.Second, "more than 65536 bytes"},
		{"another protocol", false, []string{`{"class":"VERSION","proto_major":4}` + "\n"}, 0, time.Second, "protocol 4"},
	} {
		t.Run(test.name, func(t *testing.T) {
			events, took, err := played(t, test.hangUp, test.lines...)
			if len(events) != test.events || took != test.took || err == nil || !strings.Contains(err.Error(), test.says) {
				t.Errorf("%d events, %v, %v; want %d, %v, %q", len(events), took, err, test.events, test.took, test.says)
			}
		})
	}
}

func TestNobodyThere(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := listener.Addr().String()
	_ = listener.Close()
	if err := (Client{Address: address}).Run(t.Context(), nil); err == nil || !strings.Contains(err.Error(), "gpsd does not answer") {
		t.Errorf("%v", err)
	}
}

func TestEndsWithItsContext(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = listener.Close() }()
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		if connection, err := listener.Accept(); err == nil {
			_, _ = bufio.NewReader(connection).ReadString('\n')
			cancel()
		}
	}()
	if err := (Client{Address: listener.Addr().String()}).Run(ctx, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
}
