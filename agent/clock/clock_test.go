package clock

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

func TestSimulated(t *testing.T) {
	began := time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	source := Simulated{
		Offset: 3 * time.Millisecond, Bound: 2 * time.Millisecond, Satellites: 9,
		LockAfter: time.Minute, FrequencyPPB: 50, HoldoverPPB: 500,
		Losses: []Loss{{From: time.Hour, To: 2 * time.Hour}},
	}
	for _, test := range []struct {
		name  string
		age   time.Duration
		known bool
		bound time.Duration
		lock  wirev1.Lock
		since time.Duration
		ppb   float64
		used  uint32
	}{
		{"before the first fix nothing is known", 59 * time.Second, false, 0, wirev1.Lock_LOCK_NONE, 0, 0, 0},
		{"with a fix the bound is as told", time.Minute, true, 2 * time.Millisecond, wirev1.Lock_LOCK_LOCKED, time.Minute, 50, 9},
		{"at the loss the bound has not grown yet", time.Hour, true, 2 * time.Millisecond, wirev1.Lock_LOCK_HOLDOVER, time.Hour, 550, 0},
		// 10 ppm of 1000 s are 10 ms.
		{"in holdover it grows by 10 ppm of the age", time.Hour + 1000*time.Second, true, 12 * time.Millisecond, wirev1.Lock_LOCK_HOLDOVER, time.Hour, 550, 0},
		{"with the fix back it is as told again", 2 * time.Hour, true, 2 * time.Millisecond, wirev1.Lock_LOCK_LOCKED, 2 * time.Hour, 50, 9},
	} {
		t.Run(test.name, func(t *testing.T) {
			r := source.At(test.age, began)
			if r.Known != test.known || r.Bound != test.bound || r.Lock != test.lock {
				t.Errorf("known %v, bound %v, lock %v; want %v, %v, %v", r.Known, r.Bound, r.Lock, test.known, test.bound, test.lock)
			}
			if want := began.Add(test.since); !r.LockSince.Equal(want) {
				t.Errorf("lock since %v, want %v", r.LockSince, want)
			}
			if !test.known {
				if r.FrequencyPPB != nil || r.Satellites != nil {
					t.Error("says what it can't know")
				}
				return
			}
			if *r.FrequencyPPB != test.ppb || *r.Satellites != test.used {
				t.Errorf("%g ppb, %d satellites; want %g, %d", *r.FrequencyPPB, *r.Satellites, test.ppb, test.used)
			}
		})
	}
}

func TestReadingsComeEachSecondAndEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		readings := Simulated{LockAfter: 90 * time.Second}.Readings(ctx)
		if r := <-readings; r.Known {
			t.Error("the first reading has a fix already")
		}
		began := time.Now()
		var r core.Reading
		for range 90 {
			r = <-readings
		}
		if took := time.Since(began); took != 90*time.Second || !r.Known {
			t.Errorf("the fix came after %v (known %v), want 90 s", took, r.Known)
		}
		cancel()
		synctest.Wait()
		if _, open := <-readings; open {
			t.Error("the channel is open after its context ended")
		}
	})
}

func TestAReaderThatWasAwayGetsTheNewestReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		readings := Simulated{LockAfter: 10 * time.Second}.Readings(t.Context())
		<-time.After(11*time.Second + time.Millisecond)
		if r := <-readings; !r.Known {
			t.Error("got a reading of before the fix")
		}
	})
}
