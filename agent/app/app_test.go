package app

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/goleak"

	"lamplighter/agent/app/apptest"
	"lamplighter/agent/core"
	"lamplighter/agent/keyer"
	"lamplighter/agent/keyer/process"
	"lamplighter/agent/outbox"
	"lamplighter/agent/transmitter"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// carrier is a transmitter that says when it is keyed.
type carrier struct{ changes chan bool }

func (c carrier) Key(float64, int) error { c.changes <- true; return nil }
func (c carrier) Tone(float64) error     { return nil }
func (c carrier) Unkey() error           { c.changes <- false; return nil }
func (c carrier) Close() error           { return c.Unkey() }

// station is a beacon with a coordinator that answers for it.
type station struct {
	*apptest.Station
	t       *testing.T
	carrier carrier
}

func newStation(t *testing.T) *station {
	t.Helper()
	t.Parallel()
	return &station{Station: apptest.New(t), t: t, carrier: carrier{make(chan bool, 1000)}}
}

// startKeyer starts a keyer in memory.
func (s *station) startKeyer(ctx context.Context) (Keyer, error) {
	return s.startKeyerIn(ctx, s.File.Folder)
}

func (s *station) startKeyerIn(ctx context.Context, folder string) (Keyer, error) {
	keys, err := s.File.Keyring()
	if err != nil {
		return nil, err
	}
	return process.InMemory(ctx, process.Options{
		Config: keyer.Config{Network: s.File.Network, Beacon: s.File.Beacon, Keys: keys, SimulatedTransmitter: true},
		Dir:    folder, Transmitter: func() (transmitter.Driver, error) { return s.carrier, nil },
	}), nil
}

// start starts an agent.
func (s *station) start(startKeyer func(context.Context) (Keyer, error)) *App {
	s.t.Helper()
	a, err := New(Options{
		File: s.File, Version: "trial", StartKeyer: startKeyer,
		Log: slog.New(slog.NewTextHandler(s.t.Output(), nil)),
	})
	if err != nil {
		s.t.Fatal(err)
	}
	if err := a.Start(); err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(a.Stop)
	return a
}

func keyed(down bool) bool { return down }

func TestAnAgentOnARealBroker(t *testing.T) {
	s := newStation(t)
	a := s.start(s.startKeyer)
	s.Order(1)
	apptest.Await(t, "key-down", s.carrier.changes, keyed)
	sent := apptest.Await(t, "a slot that was sent", s.Records, apptest.Ended(wirev1.OutcomeKind_OUTCOME_KIND_SENT, "")).GetOutcome()
	if sent.GetSymbols() != slot.Symbols || sent.KeyedUnixUs == nil || sent.PermittedUnixUs == nil {
		t.Errorf("outcome %v", sent)
	}
	start := apptest.Length.Start(slot.Number(sent.GetTransmission().GetSlot()))
	if late := time.UnixMicro(sent.GetKeyedUnixUs()).Sub(start.Add(apptest.Length.Timing().StartOffset())); late < 0 || late > time.Second {
		t.Errorf("keyed %v after its time", late)
	}

	apptest.Await(t, "the next key-down", s.carrier.changes, keyed)
	asked := time.Now()
	s.Hush(&wirev1.HushScope{Reason: "trial", GivenBy: "warden"})
	apptest.Await(t, "key-up", s.carrier.changes, func(down bool) bool { return !down })
	silent := time.Since(asked)
	apptest.Await(t, "the confirmation", s.Health, func(h *wirev1.Health) bool {
		return h.GetHush().GetNumber() == 1 && h.GetHushSilent() && !h.GetOnAir()
	})
	t.Logf("silent after %v, confirmed after %v", silent, time.Since(asked))
	apptest.Await(t, "the outcome", s.Records, apptest.Ended(wirev1.OutcomeKind_OUTCOME_KIND_ABORTED, "hushed"))
	apptest.Await(t, "a hushed slot", s.Records, apptest.Ended(wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED, "hushed"))

	s.Hush()
	apptest.Await(t, "key-down after the release", s.carrier.changes, keyed)
	a.Stop()
	if down := lastOf(s.carrier.changes); down {
		t.Error("the key is down after the end")
	}
	s.start(s.startKeyer)
	apptest.Await(t, "the new run", s.Records, func(r *wirev1.Record) bool {
		return r.GetRunStarted() != nil && r.GetRunStarted().GetPreviousLastSeq() > 3
	})
	apptest.Await(t, "key-down of the new run", s.carrier.changes, keyed)
	apptest.Await(t, "a slot that the new run sent", s.Records, apptest.Ended(wirev1.OutcomeKind_OUTCOME_KIND_SENT, ""))
}

func lastOf(changes <-chan bool) (last bool) {
	for {
		select {
		case last = <-changes:
		default:
			return last
		}
	}
}

func TestAStopInMidTransmissionIsWrittenDown(t *testing.T) {
	s := newStation(t)
	a := s.start(s.startKeyer)
	s.Order(1)
	apptest.Await(t, "key-down", s.carrier.changes, keyed)
	apptest.Await(t, "word of it", s.Health, (*wirev1.Health).GetOnAir)
	began := time.Now()
	a.Stop()
	if took := time.Since(began); took > 30*time.Second {
		t.Errorf("to end took %v", took)
	}
	s.start(s.startKeyer)
	apptest.Await(t, "the outcome", s.Records, apptest.Ended(wirev1.OutcomeKind_OUTCOME_KIND_ABORTED, "stopped"))
}

func TestAKeyerThatIsLostIsReplaced(t *testing.T) {
	s := newStation(t)
	keyers := make(chan Keyer, 10)
	s.start(func(ctx context.Context) (Keyer, error) {
		k, err := s.startKeyer(ctx)
		keyers <- k
		return k, err
	})
	s.Order(1)
	apptest.Await(t, "key-down", s.carrier.changes, keyed)
	apptest.Await(t, "word of it", s.Health, (*wirev1.Health).GetOnAir)
	if err := (<-keyers).Close(); err != nil {
		t.Fatal(err)
	}
	apptest.Await(t, "the outcome", s.Records, func(r *wirev1.Record) bool {
		return r.GetOutcome().GetKind() == wirev1.OutcomeKind_OUTCOME_KIND_ABORTED
	})
	apptest.Await(t, "a slot that the new keyer sent", s.Records, apptest.Ended(wirev1.OutcomeKind_OUTCOME_KIND_SENT, ""))
}

// An agent that can't write anything down says so, and transmits nothing; when
// the folder can be used, the next one goes on.
func TestAnAgentWithoutAnOutboxRunsMute(t *testing.T) {
	s := newStation(t)
	s.File.Folder = filepath.Join(t.TempDir(), "folder")
	if err := os.WriteFile(s.File.Folder, []byte("in the way"), 0o600); err != nil {
		t.Fatal(err)
	}
	keyerFolder := t.TempDir()
	start := func(ctx context.Context) (Keyer, error) { return s.startKeyerIn(ctx, keyerFolder) }
	a := s.start(start)
	s.Order(1)
	apptest.Await(t, "word of it", s.Health, func(h *wirev1.Health) bool { return h.GetMuteReason() == string(core.DiskFull) })
	if err := os.Remove(s.File.Folder); err != nil {
		t.Fatal(err)
	}
	select {
	case <-a.Repaired():
	case <-time.After(2 * time.Minute):
		t.Fatal("the folder can be used, and nobody noticed")
	}
	a.Stop()
	for len(s.carrier.changes) > 0 {
		if <-s.carrier.changes {
			t.Error("something was keyed")
		}
	}
	s.start(start)
	apptest.Await(t, "key-down of the new agent", s.carrier.changes, keyed)
}

// Two agents on one folder would be two of one name.
func TestAnOutboxInUseIsAnError(t *testing.T) {
	s := newStation(t)
	s.start(s.startKeyer)
	second, err := New(Options{File: s.File, StartKeyer: s.startKeyer})
	if err != nil {
		t.Fatal(err)
	}
	if err := second.Start(); !errors.Is(err, outbox.ErrInUse) {
		t.Errorf("the second agent: %v", err)
	}
}

func TestWhatIsWrongWithTheOptionsIsSaid(t *testing.T) {
	s := newStation(t)
	s.File.Clock.Source = "sundial"
	if _, err := New(Options{File: s.File}); err == nil {
		t.Error("an unknown clock source is accepted")
	}
}

func TestKeeperWait(t *testing.T) {
	for failures, want := range map[int]time.Duration{0: 0, 1: time.Second, 3: 4 * time.Second, 100: 30 * time.Second} {
		if got := keeperWait(failures); got != want {
			t.Errorf("after %d failures: %v, want %v", failures, got, want)
		}
	}
}
