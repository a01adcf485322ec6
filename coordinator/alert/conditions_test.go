package alert_test

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/fleet"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// limits makes every limit of a fleet file count.
const limits = `
alerts:
  limits: {supply_low_volts: 11, supply_empty_volts: 10.5, supply_high_volts: 15, temperature_high_celsius: 60, reflected_percent: 20, outbox_records: 100, missed_slots: 3}
  recipients: [{name: ada, mail: ada@club.example}]
`

// trouble is how each condition comes about at b-0-0 or its site, and nothing
// else that is told.
var trouble = map[alert.Code]func(w *world, on bool){
	alert.DatabaseAway:   nil, // told while nothing else is known: see TestADatabaseThatIsAway
	alert.DatabaseSlow:   func(w *world, on bool) { w.observed.ReadTook = choose(on, 3*time.Second, 0) },
	alert.PlanFails:      func(w *world, on bool) { w.observed.PlanFails = choose(on, "the fleet is too large", "") },
	alert.BrokerAway:     func(w *world, on bool) { w.observed.BrokerAway = on },
	alert.NetworkUnheard: func(w *world, on bool) { w.power("site-0", !on); w.power("site-1", !on) },
	alert.PlanOld:        func(w *world, on bool) { w.observed.PlanMadeAt = w.now.Add(-choose(on, 12*time.Hour, -24*time.Hour)) },
	alert.SiteDark:       func(w *world, on bool) { w.power("site-0", !on) },
	alert.NobodyOnDuty: func(w *world, on bool) {
		w.fleet.Sites[0].DutyRequired = true
		w.observed.OnDuty = map[string]bool{"site-0": !on}
	},
	alert.Unheard: func(w *world, on bool) { w.silent["b-0-0"] = on },
	alert.GPSLost: ill(func(h *wirev1.Health) { h.Lock = wirev1.Lock_LOCK_HOLDOVER }),
	alert.ClockError: ill(func(h *wirev1.Health) {
		h.ClockErrorBoundNs = proto.Int64(int64(200 * time.Millisecond))
	}),
	alert.ClockBeyond: ill(func(h *wirev1.Health) {
		h.ClockErrorBoundNs = proto.Int64(int64(501 * time.Millisecond))
		h.MuteReason = "clock_unsure"
	}),
	alert.FrequencyError:    ill(func(h *wirev1.Health) { h.FrequencyUncertaintyPpb = proto.Float64(51) }),
	alert.OrdersUnconfirmed: known(func(w *world, b *alert.Beacon) { b.OrdersSince = w.now }),
	alert.LeaseShort: known(func(w *world, b *alert.Beacon) {
		b.LeaseGranted, b.LeaseUntil = w.now.Add(-48*time.Hour), w.now.Add(12*time.Hour)
	}),
	alert.SlotsMissed:   known(func(_ *world, b *alert.Beacon) { b.Missed, b.MissedReason = 3, "late" }),
	alert.Mute:          ill(func(h *wirev1.Health) { h.MuteReason = "disk_full" }),
	alert.OffPlan:       known(func(w *world, b *alert.Beacon) { b.OffPlan = &alert.Stray{At: w.now, Band: "10m", Hz: 28_126_100} }),
	alert.KeyerTripped:  ill(func(h *wirev1.Health) { h.MuteReason = "keyer_tripped" }),
	alert.KeyStuck:      ill(func(h *wirev1.Health) { h.OnAir, h.Slot, h.Band = true, begin.Unix()/120-10, "10m" }),
	alert.SupplyOut:     ill(func(h *wirev1.Health) { h.SupplyVolts = proto.Float64(10.9) }),
	alert.TooHot:        ill(func(h *wirev1.Health) { h.TemperatureCelsius = proto.Float64(60.5) }),
	alert.ReflectedHigh: ill(func(h *wirev1.Health) { h.ForwardWatts, h.ReflectedWatts = proto.Float64(1), proto.Float64(0.25) }),
	alert.SupplyEnds: known(func(w *world, b *alert.Beacon) { // 10 mV in an hour, 0.1 V to go
		for i := range 13 {
			b.Supply = append(b.Supply, alert.Volts{At: w.now.Add(time.Duration(i-13) * 30 * time.Minute), Volts: 10.6 + 0.005*float64(13-i)})
		}
	}),
	alert.HeardByNobody: known(func(w *world, b *alert.Beacon) {
		b.DeadBands = []alert.DeadBand{{Band: "10m", Since: w.now, Sent: 80, Others: 10}}
	}),
	alert.ShareMissed: known(func(_ *world, b *alert.Beacon) {
		b.Days = []alert.Day{{}}
		for range 7 {
			b.Days = append(b.Days, alert.Day{Fair: 100, Sent: 89, Heard: 20 * time.Hour, Lost: "late"})
		}
	}),
	alert.PaperEnds: func(w *world, on bool) {
		w.fleet.Beacons[0].Papers = []fleet.Paper{{What: "calibration", ValidTo: w.now.Add(choose[time.Duration](on, 80, 200) * 24 * time.Hour)}}
	},
	alert.RecordsMissing: known(func(_ *world, b *alert.Beacon) { b.MissingFrom = 7 }),
	alert.IdentityTwice:  known(func(w *world, b *alert.Beacon) { b.Conflict = w.now }),
	alert.CallsignTwice: func(w *world, on bool) {
		w.fleet.Beacons[0].Callsign = choose(on, w.fleet.Beacons[2].Callsign, "Q0AAA")
	},
	alert.CertificateEnds: known(func(w *world, b *alert.Beacon) { b.CertificateEnds = w.now.Add(20 * 24 * time.Hour) }),
	alert.LicenceEnds: func(w *world, on bool) {
		w.fleet.Beacons[0].Licence.ValidTo = choose(on, w.now.Add(80*24*time.Hour), time.Time{})
	},
	alert.OutboxFull: ill(func(h *wirev1.Health) { h.OutboxRecords = 101 }),
	alert.ProgramOld: ill(func(h *wirev1.Health) { h.MuteReason = "update_needed" }),
}

func choose[T any](yes bool, a, b T) T {
	if yes {
		return a
	}
	return b
}

func ill(change func(h *wirev1.Health)) func(*world, bool) {
	return func(w *world, on bool) {
		w.plug("b-0-0")
		if on {
			change(w.health["b-0-0"])
		}
	}
}

func known(change func(w *world, b *alert.Beacon)) func(*world, bool) {
	return func(w *world, on bool) {
		b := w.observed.Beacons["b-0-0"]
		b = alert.Beacon{LastSeen: b.LastSeen, Health: b.Health, HealthAt: b.HealthAt}
		if on {
			change(w, &b)
		}
		w.observed.Beacons["b-0-0"] = b
	}
}

// Each condition is told, is over, and stays unsaid where it lasts for less than
// its time.
func TestEveryConditionBeginsEndsAndKeepsQuiet(t *testing.T) {
	for _, c := range alert.Conditions() {
		t.Run(string(c.Code), func(t *testing.T) {
			make, listed := trouble[c.Code]
			if !listed {
				t.Fatal("nothing brings this condition about")
			} else if make == nil {
				return
			}
			w := newWorld(t, text(2, 2, limits))
			w.run(time.Minute)
			make(w, true)
			w.run(40 * time.Minute)
			if len(w.told) != 1 || w.told[0].Alert.Code != c.Code || w.told[0].What != alert.Began {
				w.want("began " + string(c.Code))
				return
			}
			make(w, false)
			w.run(3 * time.Hour)
			if len(w.told) != 2 || w.told[1].Alert.Code != c.Code || w.told[1].What != alert.Over {
				w.want("began, over "+string(c.Code), "")
			}
			if c.Raise == 0 {
				return
			}
			short := newWorld(t, text(2, 2, limits))
			short.run(time.Minute)
			make(short, true)
			short.run(c.Raise - 5*time.Second)
			make(short, false)
			short.run(time.Hour)
			short.want()
		})
	}
}

func TestTheListIsWhole(t *testing.T) {
	seen := map[alert.Code]bool{}
	for _, c := range alert.Conditions() {
		if seen[c.Code] || c.Title == "" || c.Advice == "" || c.Severity == "" || c.Clear == 0 {
			t.Errorf("%s is not whole, or stands twice", c.Code)
		}
		seen[c.Code] = true
		for _, by := range c.HiddenBy {
			if parent := alert.Lookup(by); parent == nil || slices.Contains(parent.HiddenBy, c.Code) {
				t.Errorf("%s and %s hide each other, or one does not exist", c.Code, by)
			}
		}
	}
}
