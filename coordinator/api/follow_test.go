package api

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/coordinator/dispatch"
	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// slowBeacons confirm after a while, or never.
type slowBeacons struct {
	began time.Time
	after map[string]time.Duration // 0: never
	until time.Time                // of their leases
}

func (s slowBeacons) Give(context.Context, dispatch.HushOrder) (dispatch.Given, error) {
	panic("not asked for")
}

func (s slowBeacons) Release(context.Context, fleet.Scope, string, string) (dispatch.Released, error) {
	panic("not asked for")
}

func (s slowBeacons) Confirmations(context.Context, int64) ([]dispatch.Confirmation, error) {
	var all []dispatch.Confirmation
	for beacon, after := range s.after {
		c := dispatch.Confirmation{Beacon: beacon, Site: "hilltop", SilentBy: s.until}
		if after > 0 && time.Since(s.began) >= after {
			c.Confirmed, c.At = true, s.began.Add(after)
		}
		all = append(all, c)
	}
	return all, nil
}

func (s slowBeacons) Confirmed(ctx context.Context, hush int64, beacons []string) ([]dispatch.Confirmation, error) {
	all, err := s.Confirmations(ctx, hush)
	return slices.DeleteFunc(all, func(c dispatch.Confirmation) bool { return !c.Confirmed || !slices.Contains(beacons, c.Beacon) }), err
}

// A hush ends when all have confirmed, else after five seconds; whoever has
// not confirmed is told of at the end, with the end of its lease, if that is
// still to come.
func TestAHushWaitsFiveSecondsAtMost(t *testing.T) {
	for _, c := range []struct {
		name  string
		after map[string]time.Duration
		lease time.Duration // after the hush was given
		lasts time.Duration
		told  []string
	}{
		{"all at once", map[string]time.Duration{"a": 1, "b": 1}, time.Minute, 0, []string{"a true 0 false", "b true 0 false"}},
		{"one late", map[string]time.Duration{"a": 1, "b": 4 * time.Second}, time.Minute, 4 * time.Second, []string{"a true 0 false", "b true 4 false"}},
		{"one never", map[string]time.Duration{"a": 1, "b": 0}, time.Minute, 5 * time.Second, []string{"a true 0 false", "b false 0 true"}},
		{"one never, without a lease", map[string]time.Duration{"b": 0}, -time.Minute, 5 * time.Second, []string{"b false 0 false"}},
		{"nobody concerned", nil, 0, 0, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				began := time.Now()
				var told []string
				err := follow(t.Context(), slowBeacons{began, c.after, began.Add(c.lease)}, dispatch.Given{Hush: 1, At: began, Beacons: slices.Collect(maps.Keys(c.after))}, func(r *apiv1.HushResponse) error {
					told = append(told, fmt.Sprintf("%s %v %.0f %v", r.GetBeacon(), r.GetConfirmed(), r.GetAfterSeconds(), r.GetSilentBy() != nil))
					return nil
				})
				slices.Sort(told)
				if took := time.Since(began); err != nil || took < c.lasts || took > c.lasts+2*lookAgain || !slices.Equal(told, c.told) {
					t.Errorf("took %v, told %q, %v; want %v, %q", took, told, err, c.lasts, c.told)
				}
			})
		})
	}
}

func TestAHushEndsWithItsCaller(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		began := time.Now()
		err := follow(ctx, slowBeacons{began, map[string]time.Duration{"b": 0}, began}, dispatch.Given{At: began, Beacons: []string{"b"}}, func(*apiv1.HushResponse) error { return nil })
		if took := time.Since(began); err == nil || took > time.Second+lookAgain {
			t.Errorf("took %v, %v", took, err)
		}
	})
}

// Whoever is slow to hear of some hears of the others no later for that: the pause
// before the next look spares the database, which that costs nothing.
func TestWhoIsSlowToHearWaitsNoLonger(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		after := map[string]time.Duration{"a": 1, "b": time.Second}
		err := follow(t.Context(), slowBeacons{began, after, began}, dispatch.Given{At: began, Beacons: []string{"a", "b"}}, func(*apiv1.HushResponse) error {
			<-time.After(time.Second)
			return nil
		})
		if took := time.Since(began); err != nil || took > 2*time.Second+2*lookAgain {
			t.Errorf("took %v, %v", took, err)
		}
	})
}

func TestAnOrderWaitsForAnElection(t *testing.T) {
	notYet := fault.New(fault.Unavailable, "", "nobody leads")
	for _, c := range []struct {
		name  string
		until time.Duration // nobody leads
		then  error
		lasts time.Duration
		want  error
	}{
		{"somebody leads", 0, nil, 0, nil},
		{"soon somebody leads", 3 * time.Second, nil, 3 * time.Second, nil},
		{"nobody leads for long", time.Hour, nil, possibleWithin, notYet},
		{"it is refused", time.Second, context.Canceled, time.Second, context.Canceled},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				began := time.Now()
				_, err := oncePossible(t.Context(), func() (int, error) {
					if time.Since(began) < c.until {
						return 0, notYet
					}
					return 1, c.then
				})
				if took := time.Since(began); !errors.Is(err, c.want) || took < c.lasts || took > c.lasts+lookAgain {
					t.Errorf("%v after %v, want %v after %v", err, took, c.want, c.lasts)
				}
			})
		})
	}
}
