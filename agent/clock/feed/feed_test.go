package feed

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/agent/clock/judge"
	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// talker tells the same every second, and fails or falls silent after a while.
type talker struct {
	event func(now time.Time) judge.Event
	lasts int
	quiet bool
}

func (talker) String() string { return "talker" }

func (k talker) Run(ctx context.Context, tell func(judge.Event)) error {
	for range k.lasts {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Second):
			tell(k.event(time.Now()))
		}
	}
	if k.quiet {
		<-ctx.Done()
	}
	return errors.New("it fell over")
}

// wall is a machine whose clocks all go by the test's.
func wall() func() judge.Instant {
	began := time.Now()
	return func() judge.Instant {
		run := time.Since(began)
		return judge.Instant{Wall: time.Now().Round(0), Boot: run, Awake: run, Raw: run}
	}
}

func synced(time.Time) judge.Event {
	return judge.Daemon{Synchronised: true, Servers: 2, Offset: time.Second, Bound: time.Millisecond}
}

func source(lasts int) Source {
	return Source{
		Judge: judge.Config{Build: time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC), Daemon: true},
		Feeds: []Feed{talker{event: synced, lasts: lasts}}, Now: wall(),
	}
}

func TestReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		ppb := 7.0
		s := source(1000)
		s.Frequency = func(time.Time, *float64) *float64 { return &ppb }
		readings := s.Readings(ctx)
		if r := <-readings; r.Known {
			t.Error("something is known before anything was heard")
		}
		r := <-readings
		for !r.Known {
			r = <-readings
		}
		if r.Offset != time.Second || r.Bound != time.Millisecond || r.Lock != wirev1.Lock_LOCK_LOCKED || *r.FrequencyPPB != 7 {
			t.Errorf("%+v", r)
		}
		cancel()
		synctest.Wait()
		for range readings { // ends, since the channel is closed
		}
	})
}

func TestAFeedThatFailsIsStartedAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		readings := source(3).Readings(t.Context())
		known := 0
		began := time.Now()
		for time.Since(began) < time.Minute {
			if r := <-readings; r.Known && r.Lock == wirev1.Lock_LOCK_LOCKED {
				known++
			}
		}
		if known < 50 {
			t.Errorf("known in %d readings of a minute", known)
		}
	})
}

// How long until silence is what the bound says: of a daemon that may be 1 ms
// wrong and then says nothing more, 0.499 s at 50 ppm, nothing being learned yet.
func TestSaysWhenTheBeaconFallsSilent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := source(0)
		s.Feeds = []Feed{talker{event: synced, lasts: 10, quiet: true}}
		readings := s.Readings(t.Context())
		began, silent := time.Now(), time.Duration(0)
		for time.Since(began) < 9000*time.Second {
			r := <-readings
			if r.SilentIn == nil {
				if r.Known {
					t.Fatal("the time is known, and not for how long")
				}
				continue
			}
			if r.Lock == wirev1.Lock_LOCK_LOCKED && (*r.SilentIn-9980*time.Second).Abs() > 6*time.Second {
				t.Fatalf("%v left with a daemon, want 9980 s", *r.SilentIn)
			}
			if silent = time.Since(began) + *r.SilentIn; r.Lock == wirev1.Lock_LOCK_HOLDOVER && (silent-9990*time.Second).Abs() > 10*time.Second {
				t.Fatalf("after %v: silent in %v", time.Since(began), *r.SilentIn)
			}
			if r.Lock == wirev1.Lock_LOCK_HOLDOVER && r.Reason == "agreed" {
				t.Fatal("nothing stands against a source that is lost")
			}
		}
		if silent == 0 {
			t.Error("never known")
		}
	})
}

func TestAReadingThatIsNotFetchedIsReplaced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		readings := source(1000).Readings(t.Context())
		<-time.After(30 * time.Second)
		if r := <-readings; !r.Known {
			t.Error("got a reading of before the daemon spoke")
		}
	})
}

func TestTellsEachHourHowSteadyTheOscillatorIs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log strings.Builder
		s := source(1 << 30)
		s.Log = slog.New(slog.NewTextHandler(&log, nil))
		readings := s.Readings(t.Context())
		var last core.Reading
		for began := time.Now(); time.Since(began) < 3*time.Hour+time.Minute; {
			last = <-readings
		}
		synctest.Wait()
		// 3 h in minutes reach to 64 minutes: 60 s doubled six times.
		if n := len(last.Steadiness.GetAllan()); n != 7 || len(last.Steadiness.GetMaxTimeIntervalError()) != 8 {
			t.Errorf("the reading says %v", last.Steadiness)
		}
		said := log.String()
		if n := strings.Count(said, "how steady"); n != 3 || !strings.Contains(said, "allan_60s=") || !strings.Contains(said, "mtie_3840s=") {
			t.Errorf("said %d times in three hours:\n%s", n, said)
		}
	})
}

func TestMachine(t *testing.T) {
	before := Machine()
	after := Machine()
	if after.Raw < before.Raw || after.Awake < before.Awake || after.Boot < after.Awake-time.Second || time.Since(after.Wall).Abs() > time.Minute {
		t.Errorf("%+v, then %+v", before, after)
	}
}

func TestThermometer(t *testing.T) {
	for _, test := range []struct {
		text string
		want float64 // 0: not measured
	}{{"23500\n", 23.5}, {"-5250", -5.25}, {"", 0}, {"hot", 0}, {"999999", 0}, {"23.5", 0}} {
		file := filepath.Join(t.TempDir(), "temp")
		if err := os.WriteFile(file, []byte(test.text), 0o600); err != nil {
			t.Fatal(err)
		}
		got := 0.0
		if c := Thermometer(file)(); c != nil {
			got = *c
		}
		if got != test.want {
			t.Errorf("%q is %g °C, want %g", test.text, got, test.want)
		}
	}
	if Thermometer("/no/such/file")() != nil {
		t.Error("a file that is missing has a temperature")
	}
}
