package process

import (
	"bufio"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"sync"
	"time"

	"google.golang.org/protobuf/encoding/protodelim"

	"lamplighter/agent/keyer"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
)

const (
	deskName    = "keyer.socket"
	deskTime    = 10 * time.Second // for a request and its answer
	maxRequests = 4096             // bytes
)

// request is what an operator asks of the core.
type request struct {
	event  keyer.Event
	answer chan<- *keyerv1.OperatorAnswer // has room for one
}

// desk hears operators, one after another, on a socket in the keyer's folder:
// who may write there may speak. Nothing said here can key.
type desk struct {
	listener *net.UnixListener
	requests chan<- request
	finished <-chan struct{}
	closing  sync.WaitGroup
}

func openDesk(dir string, requests chan<- request, finished <-chan struct{}) (*desk, error) {
	path := filepath.Join(dir, deskName)
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	listener, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		return nil, err
	}
	d := &desk{listener: listener, requests: requests, finished: finished}
	d.closing.Go(d.serve)
	return d, os.Chmod(path, 0o600)
}

func (d *desk) serve() {
	for {
		with, err := d.listener.Accept()
		if err != nil {
			return // it was closed
		}
		_ = with.SetDeadline(time.Now().Add(deskTime))
		d.attend(with)
		_ = with.Close()
	}
}

// attend hears one request and answers it.
func (d *desk) attend(with net.Conn) {
	var asked keyerv1.OperatorRequest
	if err := (protodelim.UnmarshalOptions{MaxSize: maxRequests}).UnmarshalFrom(bufio.NewReader(with), &asked); err != nil {
		return
	}
	event, known := operatorEvent(&asked)
	if !known {
		_ = writeFrame(with, &keyerv1.OperatorAnswer{Refusal: string(keyer.UpdateNeeded), Sentence: "this keyer does not know what was asked: update the agent"})
		return
	}
	answers := make(chan *keyerv1.OperatorAnswer, 1)
	select {
	case d.requests <- request{event, answers}:
	case <-d.finished:
		return
	}
	select {
	case answer := <-answers:
		_ = writeFrame(with, answer) // whoever is gone does not hear it
	case <-d.finished:
	}
}

func operatorEvent(m *keyerv1.OperatorRequest) (keyer.Event, bool) {
	switch body := m.GetBody().(type) {
	case *keyerv1.OperatorRequest_Rearm:
		return keyer.Rearm{By: m.GetBy(), Why: body.Rearm.GetReason()}, true
	case *keyerv1.OperatorRequest_Presence:
		return keyer.Presence{By: m.GetBy(), For: time.Duration(body.Presence.GetSeconds()) * time.Second}, true
	}
	return nil, false
}

func (d *desk) close() {
	if d == nil {
		return
	}
	_ = d.listener.Close()
	d.closing.Wait()
}

// Ask puts an operator's request to the keyer that is at work in a folder. The
// error is a refusal or says why nobody answered.
func Ask(dir string, r *keyerv1.OperatorRequest) error {
	over, err := net.DialTimeout("unix", filepath.Join(dir, deskName), deskTime)
	if err != nil {
		return fmt.Errorf("no keyer is at work in %s: start the agent first (%w)", dir, err)
	}
	defer func() { _ = over.Close() }() // nothing is left to be written
	_ = over.SetDeadline(time.Now().Add(deskTime))
	if err := writeFrame(over, r); err != nil {
		return fmt.Errorf("the keyer does not hear: %w", err)
	}
	var answer keyerv1.OperatorAnswer
	if err := (protodelim.UnmarshalOptions{MaxSize: maxRequests}).UnmarshalFrom(bufio.NewReader(over), &answer); err != nil {
		return fmt.Errorf("the keyer does not answer: %w", err)
	}
	if answer.GetRefusal() != "" {
		return fmt.Errorf("refused (%s): %s", answer.GetRefusal(), answer.GetSentence())
	}
	return nil
}
