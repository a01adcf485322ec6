// Package service tells the service manager how an agent or a coordinator does,
// by the protocol of sd_notify(3): datagrams of NAME=VALUE lines to the socket
// that the manager names in the environment. Without a manager nothing is told.
//
// What an agent tells comes from its own loop: a loop that hangs tells nothing,
// and the manager's watchdog ends it. A coordinator says only when it has
// started: to end one that waits for its database would help nobody.
package service

import (
	"log/slog"
	"net"
	"os"
	"strconv"
	"time"
)

// Notifier tells the service manager. The nil Notifier tells nobody. It is for
// one goroutine.
type Notifier struct {
	socket *net.UnixConn
	log    *slog.Logger
	every  time.Duration // between signs of life; 0: the manager wants none
	alive  time.Time     // of the latest
	status string        // the latest
	failed bool          // whether the latest could not be told
}

// FromEnvironment finds the manager; nil: there is none. Children do not
// inherit it.
func FromEnvironment(log *slog.Logger) *Notifier {
	socket, watchdog, process := os.Getenv("NOTIFY_SOCKET"), os.Getenv("WATCHDOG_USEC"), os.Getenv("WATCHDOG_PID")
	for _, name := range []string{"NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"} {
		if err := os.Unsetenv(name); err != nil {
			log.Warn("the environment can't be changed", "reason", err)
		}
	}
	if socket == "" {
		return nil
	}
	connection, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		log.Error("the service manager can't be told anything", "reason", err)
		return nil
	}
	n := &Notifier{socket: connection, log: log}
	if process == "" || process == strconv.Itoa(os.Getpid()) {
		if us, err := strconv.ParseInt(watchdog, 10, 64); err == nil && us > 0 {
			n.every = time.Duration(us) * time.Microsecond / 4
		}
	}
	return n
}

// Ready says that the program has started.
func (n *Notifier) Ready() { n.tell("READY=1") }

// Alive is a sign of life, told as often as the manager wants one.
func (n *Notifier) Alive(now time.Time) {
	if n == nil || n.every == 0 || now.Sub(n.alive) < n.every {
		return
	}
	n.alive = now
	n.tell("WATCHDOG=1")
}

// Status says in a line how the program does, if that is new.
func (n *Notifier) Status(line string) {
	if n == nil || line == n.status {
		return
	}
	n.status = line
	n.tell("STATUS=" + line)
}

func (n *Notifier) tell(line string) {
	if n == nil {
		return
	}
	_, err := n.socket.Write([]byte(line + "\n"))
	if err != nil && !n.failed {
		n.log.Error("the service manager does not listen", "reason", err)
	}
	n.failed = err != nil
}
