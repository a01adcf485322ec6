package process_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/encoding/protodelim"

	"lamplighter/agent/keyer"
	"lamplighter/agent/keyer/process"
	"lamplighter/agent/machine"
	"lamplighter/agent/transmitter"
	"lamplighter/agent/transmitter/transmittertest"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// bubble is the virtual clock of a synctest bubble: both clocks go with it.
type bubble struct{ start time.Time }

func (b bubble) Now() keyer.Instant {
	now := time.Now()
	return keyer.Instant{Wall: now.Round(0), Boot: time.Hour + now.Sub(b.start)}
}

func (bubble) Timer() machine.Timer { return &bubbleTimer{time.NewTimer(time.Hour)} }

type bubbleTimer struct{ timer *time.Timer }

func (t *bubbleTimer) Fires() <-chan time.Time { return t.timer.C }
func (t *bubbleTimer) Set(d time.Duration)     { t.timer.Reset(d) }
func (t *bubbleTimer) Stop()                   { t.timer.Stop() }

func options(t *testing.T, driver transmitter.Driver) process.Options {
	o := process.Options{Config: config(), Dir: t.TempDir(), Transmitter: opened(driver), Clock: bubble{time.Now()}}
	o.BootID = "boot-1"
	return o
}

// almost is a keyer with all it needs, and a permit for the slot that starts in
// a few seconds.
func (a *agent) almost() {
	a.t.Helper()
	a.ready(120)
	soon := time.Now().Truncate(2 * time.Minute).Add(115 * time.Second)
	a.status("before the slot", func(*keyerv1.Status) bool { return time.Now().After(soon) })
	a.lease()
	a.permit(120)
}

func TestInMemoryAWholeSlotOfTwoMinutes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := transmitter.NewSimulated(time.Now, nil)
		a := newAgent(t, process.InMemory(context.Background(), options(t, s)))
		a.almost()
		end := a.ended()
		if end.GetKind() != wirev1.OutcomeKind_OUTCOME_KIND_SENT || end.GetSymbols() != 162 {
			t.Fatalf("%v", end)
		}
		sent := s.Sent()
		if len(sent) != 1 || len(sent[0].Tones) != 162 {
			t.Fatalf("%d transmissions", len(sent))
		}
		first, last := sent[0].Tones[0].At, sent[0].Unkeyed
		if into := first.Sub(first.Truncate(2 * time.Minute)); into < time.Second || into > time.Second+2*time.Millisecond {
			t.Errorf("keyed %v into the slot", into)
		}
		if long := last.Sub(first); (long - 110592*time.Millisecond).Abs() > 2*time.Millisecond {
			t.Errorf("on the air for %v", long)
		}
		a.silent()
		if err := a.client.Close(); err != nil {
			t.Error(err)
		}
	})
}

func TestInMemoryTheEndOfTheContextKeysUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := transmitter.NewSimulated(time.Now, nil)
		ctx, cancel := context.WithCancel(context.Background())
		a := newAgent(t, process.InMemory(ctx, options(t, s)))
		a.almost()
		a.keyed()
		cancel()
		synctest.Wait()
		if s.Keyed() {
			t.Error("still keyed")
		}
		a.silent()
		if err := a.client.Close(); err != nil {
			t.Error(err)
		}
	})
}

func TestAnAgentThatDoesNotReadIsGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := transmitter.NewSimulated(time.Now, nil)
		a := newAgent(t, process.InMemory(context.Background(), options(t, s)))
		a.almost()
		a.keyed()
		// Nobody reads from now on, and every wrong message is answered.
		wrong := &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Orders{Orders: []byte("wrong")}}
		for range 3000 {
			_ = a.client.Send(wrong)
			<-time.After(time.Millisecond)
		}
		synctest.Wait()
		if s.Keyed() {
			t.Error("still keyed")
		}
		a.silent()
		for range a.client.Messages() {
		}
		if err := a.client.Err(); err == nil || !strings.Contains(err.Error(), "does not read") {
			t.Errorf("gone because of %v", err)
		}
	})
}

func TestATransmitterThatCanNotBeKeyedUpIsReported(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := transmitter.NewSimulated(time.Now, nil)
		faulty := &transmittertest.Faulty{Driver: s}
		a := newAgent(t, process.InMemory(context.Background(), options(t, faulty)))
		a.almost()
		a.keyed()
		faulty.FailUnkey.Store(true)
		a.send(hush(1, ""))
		if end := a.ended(); end.GetReason() != string(keyer.UnkeyFailed) {
			t.Errorf("%v", end)
		}
		status := a.status("tripped", func(s *keyerv1.Status) bool { return s.GetTripped() != "" })
		if status.GetHushSilent() || !status.GetKeyed() {
			t.Errorf("%v", status)
		}
		faulty.FailUnkey.Store(false)
		a.status("silent", func(s *keyerv1.Status) bool { return s.GetHushSilent() && !s.GetKeyed() })
		a.silent()
	})
}

// panicking breaks down when it is keyed.
type panicking struct{ transmitter.Driver }

func (p panicking) Key(hz float64, drive int) error {
	_ = p.Driver.Key(hz, drive)
	panic("a bug in a driver")
}

func TestAPanicKeysUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := transmitter.NewSimulated(time.Now, nil)
		a := newAgent(t, process.InMemory(context.Background(), options(t, panicking{s})))
		a.almost()
		for range a.client.Messages() {
		}
		if s.Keyed() || len(s.Sent()) != 1 {
			t.Error("still keyed, or never was")
		}
		if err := a.client.Err(); err == nil || !strings.Contains(err.Error(), "a bug in a driver") {
			t.Errorf("gone because of %v", err)
		}
		a.silent()
	})
}

func TestRunNeedsItsFolder(t *testing.T) {
	o := options(t, transmitter.NewSimulated(time.Now, nil))
	o.Dir += "/none"
	o.In, o.Out = &bytes.Buffer{}, io.Discard
	if err := process.Run(t.Context(), o); err == nil || !strings.Contains(err.Error(), "needs its folder") {
		t.Errorf("%v", err)
	}
}

func TestSendIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		client := process.InMemory(context.Background(), options(t, transmitter.NewSimulated(time.Now, nil)))
		large := &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Orders{Orders: make([]byte, 1<<20)}}
		if err := client.Send(large); err == nil || !strings.Contains(err.Error(), "at most") {
			t.Errorf("%v", err)
		}
		var full error
		for range 10000 { // faster than anybody reads
			if err := client.Send(hush(1)); err != nil {
				full = err
				break
			}
		}
		if full == nil || !strings.Contains(full.Error(), "does not read") {
			t.Errorf("%v", full)
		}
		_ = client.Close()
	})
}

func FuzzFrames(f *testing.F) {
	var whole bytes.Buffer
	for _, m := range []*keyerv1.ToKeyer{hush(1, "40m"), orders(60), {}} {
		if _, err := protodelim.MarshalTo(&whole, m); err != nil {
			f.Fatal(err)
		}
	}
	f.Add(whole.Bytes())
	f.Add(whole.Bytes()[:10])
	f.Add([]byte{0xff, 0xff, 0xff, 0xff, 0x7f})
	f.Fuzz(func(t *testing.T, bytesFromAgent []byte) {
		s := transmitter.NewSimulated(time.Now, nil)
		o := process.Options{Config: config(), Dir: t.TempDir(), Transmitter: opened(s), In: bytes.NewReader(bytesFromAgent), Out: io.Discard}
		err := process.Run(t.Context(), o)
		if errors.Is(err, context.Canceled) {
			t.Error(err)
		}
		if len(s.Sent()) != 0 {
			t.Error("keyed")
		}
	})
}
