package process_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/agent/keyer"
	"lamplighter/agent/keyer/process"
	"lamplighter/agent/transmitter"
	"lamplighter/agent/transmitter/line/linetest"
	"lamplighter/agent/transmitter/switching"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
)

func rearm(dir string) error {
	return process.Ask(dir, &keyerv1.OperatorRequest{By: "warden", Body: &keyerv1.OperatorRequest_Rearm{Rearm: &keyerv1.Rearm{Reason: "looked at it"}}})
}

func TestAnOperatorReArmsARunningKeyer(t *testing.T) {
	dir := t.TempDir()
	if err := rearm(dir); err == nil || !strings.Contains(err.Error(), "start the agent first") {
		t.Errorf("nobody is there, and %v", err)
	}
	if err := os.WriteFile(filepath.Join(dir, "keyer.state"), []byte("what is this"), 0o600); err != nil {
		t.Fatal(err)
	}
	a := start(t, dir)
	a.status("tripped", func(s *keyerv1.Status) bool { return s.GetTripped() == string(keyer.StateGarbled) })
	if err := process.Ask(dir, &keyerv1.OperatorRequest{By: "warden"}); err == nil || !strings.Contains(err.Error(), "update_needed") {
		t.Errorf("asked for nothing: %v", err)
	}
	if err := rearm(dir); err != nil {
		t.Fatal(err)
	}
	act := until(a, "an operator's act", func(m *keyerv1.FromKeyer) (*keyerv1.OperatorAct, bool) {
		return m.GetOperatorAct(), m.GetOperatorAct() != nil
	})
	if act.GetBy() != "warden" || act.GetTripped() != string(keyer.StateGarbled) {
		t.Errorf("%v", act)
	}
	a.status("armed", func(s *keyerv1.Status) bool { return s.GetTripped() == "" })
	if err := rearm(dir); err == nil || !strings.Contains(err.Error(), "not_tripped") {
		t.Errorf("twice: %v", err)
	}
	if err := process.Ask(dir, &keyerv1.OperatorRequest{By: "warden", Body: &keyerv1.OperatorRequest_Presence{
		Presence: &keyerv1.Presence{Seconds: 60},
	}}); err != nil {
		t.Error(err)
	}
}

func TestATripIsToldWithWhatToDo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		said := make(chan string, 10)
		relay := linetest.New(nil)
		driver, _ := relayed(t, relay)
		o := options(t, driver)
		o.Errors = writer(func(text []byte) { said <- string(text) })
		a := newAgent(t, process.InMemory(context.Background(), o))
		relay.Stick(true)
		a.almost()
		text := <-said
		for _, want := range []string{"TRIPPED", "the key line is not as it was set", "keyer rearm --config FILE --by NAME --reason TEXT"} {
			if !strings.Contains(text, want) {
				t.Errorf("it does not say %q: %s", want, text)
			}
		}
		a.silent()
	})
}

// writer is a writer that is a function.
type writer func([]byte)

func (w writer) Write(text []byte) (int, error) { w(text); return len(text), nil }

// A driver that has latched forgets it only when all is off.
func TestExamineForgetsWhatHadLatchedWhenAllIsOff(t *testing.T) {
	relay := linetest.New(nil)
	driver, _ := relayed(t, relay)
	relay.Stick(true)
	if driver.Key(7040100, 50) == nil {
		t.Fatal("keyed with a relay that sticks")
	}
	relay.Stick(false)
	if err := relay.Set(true); err != nil {
		t.Fatal(err)
	}
	relay.Stick(true) // welded
	examiner := driver.(transmitter.Examiner)
	if err := examiner.Examine(); err == nil {
		t.Error("a welded relay is as it should be")
	}
	if err := driver.Key(7040100, 50); err == nil {
		t.Error("no longer latched")
	}
	relay.Stick(false)
	if err := errors.Join(examiner.Examine(), driver.Unkey()); err != nil {
		t.Error(err)
	}
	if err := driver.(*switching.Driver).Prepare(7040100, 50); err != nil {
		t.Errorf("still latched: %v", err)
	}
}

// inputs are some in memory.
type inputs struct{ open, fail atomic.Bool }

func (i *inputs) Read() (s keyer.Sensed, err error) {
	if i.fail.Load() {
		err = errors.New("the chip is gone")
	}
	if i.open.Load() {
		s.Open = keyer.DoorOpen
	}
	return s, err
}

func (i *inputs) Close() error { return nil }

func TestS7AnInterlockKeysUpThroughTheShell(t *testing.T) {
	for want, spoil := range map[keyer.Reason]func(*inputs){
		keyer.DoorOpen:     func(i *inputs) { i.open.Store(true) },
		keyer.InputsUnread: func(i *inputs) { i.fail.Store(true) },
	} {
		synctest.Test(t, func(t *testing.T) {
			in := &inputs{}
			s := transmitter.NewSimulated(time.Now, nil)
			o := options(t, s)
			o.Interlocks, o.Inputs = true, func() (process.Inputs, error) { return in, nil }
			a := newAgent(t, process.InMemory(context.Background(), o))
			a.almost()
			a.keyed()
			spoil(in)
			spoiled := time.Now()
			if end := a.ended(); end.GetReason() != string(want) {
				t.Errorf("%v", end)
			}
			if took := s.Sent()[0].Unkeyed.Sub(spoiled); took > 100*time.Millisecond || s.Keyed() {
				t.Errorf("%s: key-up after %v", want, took)
			}
			a.silent()
		})
	}
}

func TestInputsThatCanNotBeOpenedEndTheKeyer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := transmitter.NewSimulated(time.Now, nil)
		o := options(t, s)
		o.Interlocks, o.Inputs = true, func() (process.Inputs, error) { return nil, errors.New("no such chip") }
		client := process.InMemory(context.Background(), o)
		for range client.Messages() {
		}
		if err := client.Err(); err == nil || !strings.Contains(err.Error(), "no such chip") {
			t.Errorf("%v", err)
		}
	})
}
