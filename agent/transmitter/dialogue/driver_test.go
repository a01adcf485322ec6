package dialogue_test

import (
	"errors"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/agent/transmitter"
	"lamplighter/agent/transmitter/dialogue"
	"lamplighter/agent/transmitter/dialogue/dialoguetest"
	"lamplighter/agent/transmitter/transmittertest"
)

// site is a keyer, and the connections to it.
type site struct {
	peer *dialoguetest.Peer
	mu   sync.Mutex
	last net.Conn
	no   error // why nothing connects
}

func newSite() *site { return &site{peer: dialoguetest.New()} }

func (s *site) connect() (io.ReadWriteCloser, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.no != nil {
		return nil, s.no
	}
	near, far := net.Pipe()
	s.last = near
	go s.peer.Serve(far)
	return near, nil
}

// cut ends the connection, and allows a new one if no is nil.
func (s *site) cut(no error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.no = no
	_ = s.last.Close()
}

// at runs a test in virtual time on an open driver, and closes that.
func at(t *testing.T, run func(t *testing.T, d *dialogue.Driver, s *site)) {
	synctest.Test(t, func(t *testing.T) {
		s := newSite()
		d, err := dialogue.Open("keyer", s.connect)
		must(t, err)
		run(t, d, s)
		began := time.Now()
		_ = d.Close()
		inTime(t, began)
		pass(2 * time.Second)
		if s.peer.Carrier() {
			t.Error("the carrier is on after the end")
		}
	})
}

// pass lets virtual time pass.
func pass(d time.Duration) { <-time.After(d) }

func TestItKeepsTheContract(t *testing.T) {
	transmittertest.ConformanceInVirtualTime(t, func(t *testing.T) (transmitter.Driver, transmittertest.Probe) {
		s := newSite()
		d, err := dialogue.Open("keyer", s.connect)
		must(t, err)
		return d, s.peer.Carrier
	})
}

func TestAWholeTransmission(t *testing.T) {
	at(t, func(t *testing.T, d *dialogue.Driver, s *site) {
		must(t, d.Key(7040100.25, 50))
		if got := s.peer.Signal(); got != "7040100250 mHz at 50 %" {
			t.Error(got)
		}
		for range 161 {
			pass(683 * time.Millisecond)
			must(t, d.Tone(7040101.46484375))
		}
		if got := s.peer.Signal(); got != "7040101465 mHz at 50 %" {
			t.Error(got)
		}
		must(t, d.Unkey())
		if s.peer.Carrier() {
			t.Error("still on")
		}
	})
}

// A keyer whose loop hangs sends beats, and no tones.
func TestWithoutTonesItKeysUp(t *testing.T) {
	at(t, func(t *testing.T, d *dialogue.Driver, s *site) {
		must(t, d.Key(7040100, 50))
		pass(900 * time.Millisecond)
		if !s.peer.Carrier() {
			t.Error("keyed up before its time, or without beats")
		}
		pass(250 * time.Millisecond)
		if s.peer.Carrier() {
			t.Error("on without tones")
		}
		if err := d.Tone(7040101); err == nil || !strings.Contains(err.Error(), "the carrier is off, and it should be on") {
			t.Errorf("%v", err)
		}
		must(t, d.Unkey())
	})
}

func TestAMuteKeyer(t *testing.T) {
	at(t, func(t *testing.T, d *dialogue.Driver, s *site) {
		must(t, d.Key(7040100, 50))
		s.peer.Mute(true)
		for _, call := range []func() error{
			func() error { return d.Tone(7040101) }, d.Unkey, d.Unkey, func() error { return d.Tone(7040101) },
		} {
			began := time.Now()
			if err := call(); err == nil {
				t.Error("no error from a keyer that is mute")
			}
			inTime(t, began)
		}
		pass(dialoguetest.Silence)
		if s.peer.Carrier() {
			t.Error("on without beats")
		}
		s.peer.Mute(false)
		pass(4 * time.Second) // it is greeted anew
		must(t, d.Unkey())
		must(t, d.Key(7040100, 50))
	})
}

func TestABrokenConnection(t *testing.T) {
	at(t, func(t *testing.T, d *dialogue.Driver, s *site) {
		must(t, d.Key(7040100, 50))
		s.cut(errors.New("unplugged"))
		synctest.Wait()
		if s.peer.Carrier() {
			t.Error("on without a connection")
		}
		if err := d.Unkey(); err == nil {
			t.Error("nobody said that the carrier is off")
		}
		pass(2 * time.Second)
		if err := d.Unkey(); err == nil || !strings.Contains(err.Error(), "unplugged") {
			t.Errorf("%v", err)
		}
		s.cut(nil)
		pass(2 * time.Second)
		must(t, d.Unkey())
		must(t, d.Key(7040100, 50))
	})
}

func TestAnswersThatAreNone(t *testing.T) {
	right := func(number uint16, answer string) []byte { return dialogue.Line(number, answer) }
	for name, c := range map[string]struct {
		answer func(uint16, string) []byte
		key    string // what the error says; empty: none
	}{
		"another number": {func(n uint16, a string) []byte { return right(n+1, a) }, "no answer in time"},
		"an older one":   {func(n uint16, a string) []byte { return right(n-1, a) }, "no answer in time"},
		"wrong checksum": {func(n uint16, a string) []byte { return []byte(strings.Replace(string(right(n, a)), "*", "*0", 1)) }, "no answer in time"},
		"wrong state":    {func(n uint16, _ string) []byte { return right(n, "off") }, "the carrier is off"},
		"an error":       {func(n uint16, _ string) []byte { return right(n, "error too hot") }, "too hot"},
		"noise before": {func(n uint16, a string) []byte {
			return append([]byte(strings.Repeat("\xa5x", 500)+"\n"), right(n, a)...)
		}, ""},
		"noise joined": {func(n uint16, a string) []byte { return append([]byte(strings.Repeat("y", 250)), right(n, a)...) }, "no answer in time"},
		"twice":        {func(n uint16, a string) []byte { return append(right(n, a), right(n, a)...) }, ""},
	} {
		t.Run(name, func(t *testing.T) {
			at(t, func(t *testing.T, d *dialogue.Driver, s *site) {
				s.peer.Answer(c.answer)
				began := time.Now()
				err := d.Key(7040100, 50)
				inTime(t, began)
				if (err == nil) != (c.key == "") || (err != nil && !strings.Contains(err.Error(), c.key)) {
					t.Errorf("%v", err)
				}
				s.peer.Answer(nil)
				must(t, d.Unkey())
			})
		})
	}
}

func TestOpening(t *testing.T) {
	for name, c := range map[string]struct {
		with func(*site)
		say  string
	}{
		"nobody there":   {func(s *site) { s.no = errors.New("no such device") }, "keyer: no such device"},
		"nobody answers": {func(s *site) { s.peer.Mute(true) }, "keyer: no answer in time"},
		"wrong answer": {func(s *site) {
			s.peer.Answer(func(n uint16, _ string) []byte { return dialogue.Line(n, "on") })
		}, `answers "on "`},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newSite()
				c.with(s)
				if _, err := dialogue.Open("keyer", s.connect); err == nil || !strings.Contains(err.Error(), c.say) {
					t.Errorf("%v", err)
				}
			})
		})
	}
}

// A keyer that restarts when its port is opened hears the first hello too late.
func TestAKeyerMayTakeTwoSecondsToAnswer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSite()
		s.peer.Mute(true)
		time.AfterFunc(2*time.Second, func() { s.peer.Mute(false) })
		d, err := dialogue.Open("keyer", s.connect)
		must(t, err)
		must(t, d.Close())
	})
}

func inTime(t *testing.T, began time.Time) {
	t.Helper()
	if took := time.Since(began); took > 50*time.Millisecond {
		t.Errorf("the call took %v", took)
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
