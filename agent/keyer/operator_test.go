package keyer_test

import (
	"strings"
	"testing"
	"time"

	"lamplighter/agent/keyer"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// wired is a keyer with interlocks and an operator's switch, and with inputs
// that are read every 25 ms.
func wired(t *testing.T, sense func() *keyer.Sensed, list ...*wirev1.Transmission) *bench {
	t.Helper()
	b := newBench(t)
	b.config.Interlocks, b.config.OperatorSwitch = true, true
	b.hear = func(*keyerv1.Heartbeat) {
		if s := sense(); s != nil {
			b.step(*s)
		}
	}
	b.beatEvery = 25 * time.Millisecond
	b.start()
	b.pass(time.Second)
	b.accepted(b.sendEnvelope(sealWith(coordinator, "envelope", envelope(5))))
	b.accepted(b.sendOrders(sealWith(coordinator, "orders", orders(10, 1, list...))))
	b.lease(10)
	b.until(noon.Add(-5 * time.Second))
	b.lease(10)
	return b
}

func TestS7AnInterlockKeysUpWithin100ms(t *testing.T) {
	for _, open := range []keyer.Reason{keyer.TransceiverOn, keyer.AntennaAway, keyer.DoorOpen, keyer.LockedOut, keyer.InputsUnread} {
		t.Run(string(open), func(t *testing.T) {
			now := &keyer.Sensed{}
			b := wired(t, func() *keyer.Sensed { return now }, transmission(0), transmission(1))
			b.permit(0)
			b.until(noon.Add(30*time.Second + 7*time.Millisecond))
			if !b.carrier {
				t.Fatalf("not on the air: %v", b.ends())
			}
			if now = (&keyer.Sensed{Open: open}); open == keyer.InputsUnread {
				now = nil
			}
			b.pass(100 * time.Millisecond)
			b.ended(aborted, open)
			if s := b.status(); s.GetMuteReason() != string(open) || s.GetTripped() != "" {
				t.Errorf("%v", s)
			}
			b.until(noon.Add(115 * time.Second))
			b.lease(10)
			if end := b.permit(1); end.GetReason() != string(open) || end.GetKind() != skipped {
				t.Errorf("%v", end)
			}
			// Closed again it is no obstacle: nothing is latched.
			now = &keyer.Sensed{}
			b.pass(30 * time.Millisecond)
			if end := b.permit(1); end != nil {
				t.Errorf("%v", end)
			}
			b.until(noon.Add(130 * time.Second))
			if !b.carrier {
				t.Error("not keyed although everything is closed")
			}
		})
	}
}

func TestInputsThatWereNeverReadRefuse(t *testing.T) {
	b := wired(t, func() *keyer.Sensed { return nil }, transmission(0))
	if end := b.permit(0); end.GetReason() != string(keyer.InputsUnread) {
		t.Errorf("%v", end)
	}
}

func localSlot(n int64) *wirev1.Transmission {
	return transmission(n, func(w *wirev1.Transmission) {
		w.Band, w.FrequencyMillihertz, w.Control = "10m", 28126100_000, local
	})
}

func TestS2LocalControlNeedsAnOperatorWhoIsPresent(t *testing.T) {
	on, off := &keyer.Sensed{OperatorSwitch: true}, &keyer.Sensed{}
	for _, c := range []struct {
		what string
		do   func(b *bench, set func(*keyer.Sensed))
		want keyer.Reason
	}{
		{"a switch that was on when the keyer started", func(*bench, func(*keyer.Sensed)) {}, keyer.OperatorAbsent},
		{"a switch that is off", func(b *bench, set func(*keyer.Sensed)) { set(off) }, keyer.OperatorAbsent},
		{"a switch that is turned on", func(b *bench, set func(*keyer.Sensed)) { set(off); set(on) }, ""},
		{"and off again", func(b *bench, set func(*keyer.Sensed)) { set(off); set(on); set(off) }, keyer.OperatorAbsent},
		{"a word while the switch is on", func(b *bench, _ func(*keyer.Sensed)) { b.present(time.Hour); b.answered("") }, ""},
		{"a word while the switch is off", func(b *bench, set func(*keyer.Sensed)) {
			set(off)
			b.present(time.Hour)
			b.answered(keyer.OperatorAbsent)
		}, keyer.OperatorAbsent},
		{"a word that is taken back", func(b *bench, set func(*keyer.Sensed)) { set(off); set(on); b.present(0); b.answered("") }, keyer.OperatorAbsent},
		{"a word for longer than any counts", func(b *bench, _ func(*keyer.Sensed)) {
			b.present(2*time.Hour + 1)
			b.answered(keyer.OutOfBounds)
		}, keyer.OperatorAbsent},
		{"a word for less than nothing", func(b *bench, _ func(*keyer.Sensed)) {
			b.present(-1)
			b.answered(keyer.OutOfBounds)
		}, keyer.OperatorAbsent},
		{"a word of nobody", func(b *bench, _ func(*keyer.Sensed)) {
			b.step(keyer.Presence{For: time.Hour})
			b.answered(keyer.OutOfBounds)
		}, keyer.OperatorAbsent},
	} {
		t.Run(c.what, func(t *testing.T) {
			now := on
			b := wired(t, func() *keyer.Sensed { return now }, localSlot(0))
			c.do(b, func(s *keyer.Sensed) { now = s; b.pass(50 * time.Millisecond) })
			if end := b.permit(0); end.GetReason() != string(c.want) {
				t.Errorf("%v, want %q", end, c.want)
			}
		})
	}
}

func TestS2PresenceEndsAfterTwoHours(t *testing.T) {
	b := ready(t, localSlot(59), localSlot(61))
	b.present(2 * time.Hour)
	from := b.trueTime()
	permitted := func(slot int64) *keyerv1.Ended {
		b.until(noon.Add(time.Duration(slot)*2*time.Minute - 3*time.Second))
		b.lease(10)
		return b.permit(slot)
	}
	if end := permitted(59); end != nil {
		t.Fatalf("%v", end)
	}
	b.until(from.Add(2 * time.Hour))
	if b.pass(time.Second); b.carrier {
		t.Error("a carrier after two hours without a word")
	}
	b.ended(aborted, keyer.OperatorAbsent)
	if end := permitted(61); end.GetReason() != string(keyer.OperatorAbsent) {
		t.Errorf("%v", end)
	}
}

func TestS5ARearmIsRefusedWhileItsCausePersists(t *testing.T) {
	b := ready(t, transmission(0))
	b.rearm()
	b.answered(keyer.NotTripped)
	b.step(keyer.ReadBackMismatch{})
	for name, why := range map[string]string{"": "looked", strings.Repeat("a", 65): "looked", "warden": "", "war\nden": "looked", "war\x7fden": "looked", "war\xffden": "looked"} {
		b.step(keyer.Rearm{By: name, Why: why})
		b.answered(keyer.OutOfBounds)
	}
	b.examineErr = errTest
	b.rearm()
	b.answered(keyer.CausePersists)
	if b.status().GetTripped() == "" || !strings.Contains(b.answers[len(b.answers)-1].GetSentence(), errTest.Error()) {
		t.Errorf("%v, %v", b.status(), b.answers)
	}
	b.examineErr, b.holdDisk = nil, true
	b.rearm()
	before := len(b.answers)
	b.rearm()
	b.answered(keyer.Busy)
	if len(b.answers) != before+1 {
		t.Error("re-armed before it was on disk")
	}
	b.step(b.write())
	b.answered("")
	var acts []*keyerv1.OperatorAct
	for _, r := range b.replies {
		if a := r.GetOperatorAct(); a.GetDid() == "rearmed" {
			acts = append(acts, a)
		}
	}
	if len(acts) != 1 || acts[0].GetBy() != "warden" || acts[0].GetReason() != "looked at it" || acts[0].GetTripped() != "read_back" {
		t.Errorf("told: %v", acts)
	}
	if text := string(b.onDisk); !strings.Contains(text, `"rearmed":{"by":"warden","why":"looked at it","tripped":"read_back"`) {
		t.Errorf("on disk: %s", text)
	}
}

// An older write fails while the re-arm waits for its own.
func TestARearmBehindAWriteThatFails(t *testing.T) {
	b := ready(t)
	b.step(keyer.ReadBackMismatch{})
	b.holdDisk = true
	b.sendHush(sealHush(hush(10, 1, "")))
	b.rearm()
	b.diskErr = errTest
	b.step(b.write())
	b.answered(keyer.NotOnDisk)
	b.diskErr, b.holdDisk = nil, false
	b.pass(5 * time.Second)
	if s := b.status(); s.GetTripped() != "read_back" {
		t.Errorf("%v", s)
	}
}

// A trip that never came to disk is not lost with a re-arm that does not either.
func TestATripOnlyInMemory(t *testing.T) {
	b := ready(t)
	b.diskErr = errTest
	b.step(keyer.ReadBackMismatch{})
	b.pass(100 * time.Millisecond)
	b.rearm()
	b.answered(keyer.NotOnDisk)
	if s := b.status(); s.GetTripped() != "read_back" {
		t.Errorf("%v", s)
	}
}

// A switch that can't be read any more is not on.
func TestS2ASwitchThatIsNotReadIsOff(t *testing.T) {
	now := &keyer.Sensed{OperatorSwitch: true}
	b := wired(t, func() *keyer.Sensed { return now }, localSlot(0))
	b.config.Interlocks = false
	b.start()
	b.pass(100 * time.Millisecond)
	b.present(time.Hour)
	b.answered("")
	b.permit(0)
	b.until(noon.Add(30 * time.Second))
	if !b.carrier {
		t.Fatalf("not on the air: %v", b.ends())
	}
	now = nil
	b.pass(100 * time.Millisecond)
	b.ended(aborted, keyer.OperatorAbsent)
}

// A re-arm counts when it is on disk itself, and not with whatever is written
// before it.
func TestARearmWaitsForItsOwnWrite(t *testing.T) {
	t.Run("accepted during another write", func(t *testing.T) {
		b := ready(t)
		b.step(keyer.ReadBackMismatch{})
		b.holdDisk = true
		b.sendHush(sealHush(hush(10, 1, "")))
		b.rearm()
		before := len(b.answers)
		b.step(b.write())
		if len(b.answers) != before || b.status().GetTripped() == "" {
			t.Errorf("re-armed by the write of something else: %v", b.answers[before:])
		}
		b.step(b.write())
		b.answered("")
	})
	t.Run("looked into during another write", func(t *testing.T) {
		b := ready(t)
		b.step(keyer.ReadBackMismatch{})
		b.holdDisk, b.holdExamine = true, true
		b.sendHush(sealHush(hush(10, 1, "")))
		b.rearm()
		before := len(b.answers)
		b.step(b.write())
		if len(b.answers) != before || b.status().GetTripped() == "" {
			t.Errorf("re-armed before anybody looked: %v", b.answers[before:])
		}
		b.step(keyer.Examined{})
		b.step(b.write())
		b.answered("")
	})
}

// Nobody re-arms a keyer that does not know whether the key is up.
func TestS5NoRearmWhileTheKeyIsOnItsWayUp(t *testing.T) {
	b := ready(t)
	b.holdUnkey = true
	b.step(keyer.ReadBackMismatch{})
	b.rearm()
	b.answered(keyer.CausePersists)
	b.step(keyer.Unkeyed{})
	b.rearm()
	b.answered("")
}

func TestAnExaminationThatNobodyAskedForTrips(t *testing.T) {
	b := ready(t)
	b.step(keyer.Examined{})
	if s := b.status(); s.GetTripped() != string(keyer.Assertion)+": an examination that nobody asked for" {
		t.Errorf("%v", s)
	}
}
