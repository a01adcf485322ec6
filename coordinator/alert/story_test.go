package alert_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/alert"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

func (w *world) unplug(name string) {
	h := w.health[name]
	w.health[name] = &wirev1.Health{
		Lock: wirev1.Lock_LOCK_HOLDOVER, LockSinceUnixMs: proto.Int64(w.now.UnixMilli()), SilentInSeconds: proto.Uint64(45_000),
		ClockErrorBoundNs: h.ClockErrorBoundNs, FrequencyUncertaintyPpb: h.FrequencyUncertaintyPpb,
	}
}

func (w *world) plug(name string) {
	w.health[name] = &wirev1.Health{Lock: wirev1.Lock_LOCK_LOCKED, ClockErrorBoundNs: proto.Int64(1e6), FrequencyUncertaintyPpb: proto.Float64(1)}
}

// Promise A1 (120 s) and A2 (raised after 60 s, over after 300 s of lock).
func TestAnUnpluggedAntennaIsToldOnceAndOnceWhenItIsBack(t *testing.T) {
	w := newWorld(t, text(4, 2, ada))
	w.run(time.Minute)
	lost := w.now
	w.unplug("b-1-0")
	w.run(2 * time.Hour)
	w.want("began gps_lost b-1-0")
	if took := w.toldAt[0].Sub(lost); took < 60*time.Second || took > 120*time.Second {
		t.Errorf("told after %s", took)
	}
	// 45,000 s from the report at 12:02:10 is 00:32:10: the figure is worked out by hand.
	for _, words := range []string{"b-1-0 at site-1", "since 2026-11-25 12:01:00 UTC", "12 h 30 min", "2026-11-26 00:32:10 UTC", "antenna"} {
		if !strings.Contains(w.told[0].Text, words) {
			t.Errorf("the mail does not say %q:\n%s", words, w.told[0].Text)
		}
	}
	back := w.now
	w.plug("b-1-0")
	w.run(2 * time.Hour)
	w.want("began gps_lost b-1-0", "over gps_lost b-1-0")
	if took := w.toldAt[1].Sub(back); took < 300*time.Second || took > 320*time.Second {
		t.Errorf("over after %s", took)
	}
}

func TestAFlappingLineIsToldTwiceAnHourAtMost(t *testing.T) {
	for _, period := range []time.Duration{30 * time.Second, 36 * time.Second, 2 * time.Minute, 5 * time.Minute, 12 * time.Minute} {
		w := newWorld(t, text(4, 2, ada))
		start := w.now
		w.run(3*time.Hour, func() {
			if w.now.Sub(start)%period < period/2 {
				w.unplug("b-0-0")
			} else {
				w.plug("b-0-0")
			}
		})
		if len(w.told) == 0 {
			t.Errorf("every %s: nobody heard", period)
		}
		for i, at := range w.toldAt {
			within := 0
			for _, other := range w.toldAt[i:] {
				if other.Sub(at) < time.Hour {
					within++
				}
			}
			if within > 2 {
				t.Errorf("every %s: %d messages within an hour", period, within)
			}
		}
		w.plug("b-0-0")
		w.run(3 * time.Hour)
		if last := w.told[len(w.told)-1].What; last != alert.Over {
			t.Errorf("every %s: the last word is %s", period, last)
		}
	}
}

func (w *world) power(site string, on bool) {
	for _, b := range w.fleet.Beacons {
		if b.Site.Name == site {
			w.silent[b.Name] = !on
		}
	}
}

func TestASiteWithoutPowerIsOneMessage(t *testing.T) {
	w := newWorld(t, text(3, 20, ada))
	w.run(time.Minute)
	w.power("site-1", false)
	w.run(3 * time.Hour)
	w.want("began site_dark site-1")
	// Its beacons come back one by one, each without lock for two minutes.
	back := w.now
	for i, b := range w.fleet.Beacons[20:40] {
		at := back.Add(time.Duration(i) * 10 * time.Second)
		name := b.Name
		w.run(at.Sub(w.now))
		w.silent[name] = false
		w.unplug(name)
	}
	w.run(2 * time.Minute)
	for _, b := range w.fleet.Beacons[20:40] {
		w.plug(b.Name)
	}
	w.run(3 * time.Hour)
	w.want("began site_dark site-1", "over site_dark site-1")
}

// The coordinator may end at any moment: what is told does not depend on it.
func TestARestartTellsNoMoreAndNoLess(t *testing.T) {
	for at := time.Duration(0); at < 20*time.Minute; at += 25 * time.Second {
		w := newWorld(t, text(3, 5, ada))
		w.run(time.Minute)
		w.power("site-1", false)
		w.unplug("b-2-0")
		w.run(at)
		w.restart()
		w.run(30*time.Minute - at)
		w.power("site-1", true)
		w.plug("b-2-0")
		w.run(at)
		w.restart()
		w.run(2*time.Hour - at)
		var events []string
		for _, m := range w.told {
			events = append(events, string(m.What)+" "+string(m.Alert.Code))
		}
		slices.Sort(events)
		if got := strings.Join(events, ", "); got != "began gps_lost, began site_dark, over gps_lost, over site_dark" {
			t.Errorf("restarted after %s: %s", at, got)
		}
	}
}

func TestWhatADarkSiteDoesIsNotTold(t *testing.T) {
	w := newWorld(t, text(3, 2, ada+"dark: [{site: site-1, from: 2026-11-25T12:00:30Z, to: 2026-11-25T14:00:00Z, reason: holidays}]\n"))
	w.run(time.Minute)
	w.power("site-1", false)
	w.run(90 * time.Minute)
	w.want()
	w.run(time.Hour) // it did not return
	w.want("began site_dark site-1")
}

func TestAnAcknowledgedAlertIsNotPassedOn(t *testing.T) {
	const two = `
alerts: {recipients: [{name: ada, mail: ada@club.example}, {name: bo, mail: bo@club.example, routes: [{after_minutes: 15}]}]}
`
	for _, acknowledged := range []bool{true, false} {
		w := newWorld(t, text(4, 2, two))
		w.unplug("b-1-0")
		w.run(5 * time.Minute)
		w.want("began gps_lost b-1-0")
		want := []string{"began gps_lost b-1-0", "began gps_lost b-1-0"}
		if acknowledged {
			w.given.Acknowledged = map[int64]alert.Acknowledgement{w.told[0].Alert.Number: {By: "ada", Why: "on my way", At: w.now}}
			want = want[:1]
		}
		w.run(time.Hour)
		w.want(want...)
		if !acknowledged && w.told[1].Recipient != "bo" {
			t.Errorf("passed on to %s", w.told[1].Recipient)
		}
	}
}

func TestRoutesOfAPerson(t *testing.T) {
	const night = `
alerts: {recipients: [{name: ada, mail: ada@club.example, time_zone: Asia/Tokyo, routes: [{severity: warning, sites: [site-1], hours: "22:00-06:00"}]}]}
`
	w := newWorld(t, text(4, 2, night)) // 12:00 UTC is 21:00 in Tokyo
	w.unplug("b-1-0")
	w.unplug("b-2-0")
	w.run(59 * time.Minute)
	w.want()
	w.run(2 * time.Minute)
	w.want("began gps_lost b-1-0")
}

func TestASilenceHoldsAndSafetyIsToldAllTheSame(t *testing.T) {
	w := newWorld(t, text(4, 2, ada))
	w.given.Silences = []alert.Silence{{Site: "site-1", Owner: "ada", Reason: "mast work", Since: w.now, Until: w.now.Add(time.Hour)}}
	w.unplug("b-1-0")
	w.health["b-1-1"].MuteReason = "keyer_tripped"
	w.run(55 * time.Minute)
	w.want("began keyer_tripped b-1-1")
	w.run(10 * time.Minute)
	w.want("began keyer_tripped b-1-1", "began gps_lost b-1-0")
}

func TestSilencesThatMayNotBe(t *testing.T) {
	good := alert.Silence{Code: alert.GPSLost, Owner: "ada", Reason: "mast work", Since: begin, Until: begin.Add(alert.LongestSilence)}
	for want, change := range map[alert.SilenceReason]func(*alert.Silence){
		alert.SilenceAllowed:  func(*alert.Silence) {},
		alert.SilenceUnowned:  func(s *alert.Silence) { s.Owner = "" },
		alert.SilenceNoReason: func(s *alert.Silence) { s.Reason = "" },
		alert.SilenceOver:     func(s *alert.Silence) { s.Until = s.Since },
		alert.SilenceTooLong:  func(s *alert.Silence) { s.Until = s.Until.Add(time.Second) },
		alert.SilenceUnknown:  func(s *alert.Silence) { s.Code = "no_such" },
		alert.SilenceSafety:   func(s *alert.Silence) { s.Code = alert.OffPlan },
	} {
		s := good
		change(&s)
		if got := s.Check(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
