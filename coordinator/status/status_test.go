package status_test

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/status"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/band"
)

// now lies 40 s into a slot.
var now = time.Date(2026, 12, 1, 12, 0, 40, 0, time.UTC)

var presentSlot = now.Unix() / 120

func invented() *fleet.Fleet {
	hill, mill := &fleet.Site{Name: "hilltop"}, &fleet.Site{Name: "mill"}
	on := func(names ...string) []fleet.BandUse {
		var uses []fleet.BandUse
		for _, name := range names {
			uses = append(uses, fleet.BandUse{Band: band.Band{Name: name}})
		}
		return uses
	}
	return &fleet.Fleet{
		Network: fleet.Network{ID: "tern", Slot: 120},
		Sites:   []*fleet.Site{mill, hill},
		Beacons: []*fleet.Beacon{
			{Name: "mill-a", Site: mill, Bands: on("40m")},
			{Name: "hilltop-a", Site: hill, Bands: on("40m", "20m")},
		},
	}
}

// well is a beacon that said a second ago that all is well.
func well(change func(*status.Beacon)) status.Beacon {
	b := status.Beacon{
		LastSeen: now.Add(-time.Second), HealthAt: now.Add(-time.Second), LeaseUntil: now.Add(time.Minute),
		Health: &wirev1.Health{Lock: wirev1.Lock_LOCK_LOCKED, ClockErrorBoundNs: proto.Int64(2000), Orders: &wirev1.OrdersNumber{Epoch: 7, Revision: 3}},
	}
	change(&b)
	return b
}

// heard is what such a beacon said of itself besides.
func heard() *apiv1.Vitals { return &apiv1.Vitals{Heard: timestamppb.New(now.Add(-time.Second))} }

func keyed(b *status.Beacon) {
	b.Health.OnAir, b.Health.Band, b.Health.Slot = true, "40m", presentSlot
}

func TestStateIsTheFirstThatIsTrue(t *testing.T) {
	hushAll := []fleet.Scope{{}}
	for _, c := range []struct {
		name   string
		beacon status.Beacon
		hushes []fleet.Scope
		want   apiv1.BeaconState
		reason string
	}{
		{"never heard", status.Beacon{}, nil, apiv1.BeaconState_BEACON_STATE_NEVER_SEEN, ""},
		{"never heard and hushed", status.Beacon{}, hushAll, apiv1.BeaconState_BEACON_STATE_NEVER_SEEN, ""},
		{"heard 89.999 s ago", well(func(b *status.Beacon) { b.LastSeen = now.Add(-89_999 * time.Millisecond) }), nil, apiv1.BeaconState_BEACON_STATE_LATE, ""},
		{"heard 90 s ago, keyed then", well(func(b *status.Beacon) { keyed(b); b.LastSeen = now.Add(-90 * time.Second) }), hushAll, apiv1.BeaconState_BEACON_STATE_LOST, ""},
		{"heard 59.999 s ago", well(func(b *status.Beacon) { b.LastSeen = now.Add(-59_999 * time.Millisecond) }), nil, apiv1.BeaconState_BEACON_STATE_READY, ""},
		{"heard 60 s ago", well(func(b *status.Beacon) { keyed(b); b.LastSeen = now.Add(-60 * time.Second) }), nil, apiv1.BeaconState_BEACON_STATE_LATE, ""},
		{"keyed", well(keyed), nil, apiv1.BeaconState_BEACON_STATE_ON_AIR, ""},
		{"keyed in spite of a hush", well(keyed), hushAll, apiv1.BeaconState_BEACON_STATE_ON_AIR, ""},
		{"keyed in a slot that is over", well(func(b *status.Beacon) { keyed(b); b.Health.Slot-- }), nil, apiv1.BeaconState_BEACON_STATE_READY, ""},
		{"keyed in the next slot, by a clock ahead of ours", well(func(b *status.Beacon) { keyed(b); b.Health.Slot++ }), nil, apiv1.BeaconState_BEACON_STATE_ON_AIR, ""},
		{"keyed in a slot of next week", well(func(b *status.Beacon) { keyed(b); b.Health.Slot += 5040 }), nil, apiv1.BeaconState_BEACON_STATE_READY, ""},
		{"keyed in a slot that no clock reaches", well(func(b *status.Beacon) { keyed(b); b.Health.Slot = math.MaxInt64 }), nil, apiv1.BeaconState_BEACON_STATE_READY, ""},
		{"hushed with the network", well(func(*status.Beacon) {}), hushAll, apiv1.BeaconState_BEACON_STATE_HUSHED, ""},
		{"hushed with its site", well(func(*status.Beacon) {}), []fleet.Scope{{Site: "hilltop"}}, apiv1.BeaconState_BEACON_STATE_HUSHED, ""},
		{"hushed band by band", well(func(*status.Beacon) {}), []fleet.Scope{{Band: "40m"}, {Beacon: "hilltop-a", Band: "20m"}}, apiv1.BeaconState_BEACON_STATE_HUSHED, ""},
		{"hushed and mute", well(func(b *status.Beacon) { b.Health.MuteReason = "hushed" }), hushAll, apiv1.BeaconState_BEACON_STATE_HUSHED, ""},
		{"hushed on one of its bands", well(func(*status.Beacon) {}), []fleet.Scope{{Band: "40m"}}, apiv1.BeaconState_BEACON_STATE_READY, ""},
		{"another site hushed", well(func(*status.Beacon) {}), []fleet.Scope{{Site: "mill"}, {Beacon: "mill-a"}}, apiv1.BeaconState_BEACON_STATE_READY, ""},
		{"mute by its own word", well(func(b *status.Beacon) { b.Health.MuteReason = "clock_unsure" }), nil, apiv1.BeaconState_BEACON_STATE_MUTE, "clock_unsure"},
		{"heard, and no word on itself", well(func(b *status.Beacon) { b.Health = nil }), nil, apiv1.BeaconState_BEACON_STATE_MUTE, "no_report"},
		{"its lease is over", well(func(b *status.Beacon) { b.LeaseUntil = now }), nil, apiv1.BeaconState_BEACON_STATE_MUTE, "no_lease"},
		{"all is well", well(func(*status.Beacon) {}), nil, apiv1.BeaconState_BEACON_STATE_READY, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := status.Of(status.Known{Fleet: invented(), Beacons: map[string]status.Beacon{"hilltop-a": c.beacon}, Hushes: c.hushes}, now)[0]
			if got.State != c.want || got.GetMuteReason() != c.reason {
				t.Errorf("%v %q, want %v %q", got.State, got.GetMuteReason(), c.want, c.reason)
			}
		})
	}
}

func TestUnknownIsAbsent(t *testing.T) {
	show := func(b status.Beacon) *apiv1.Beacon {
		return status.Of(status.Known{Fleet: invented(), Beacons: map[string]status.Beacon{"hilltop-a": b}}, now)[0]
	}
	lease := now.Add(time.Minute)
	for _, c := range []struct {
		name   string
		beacon status.Beacon
		want   *apiv1.Beacon
	}{
		{"never heard", status.Beacon{}, &apiv1.Beacon{State: apiv1.BeaconState_BEACON_STATE_NEVER_SEEN}},
		{
			"heard, no word on itself", well(func(b *status.Beacon) { b.Health = nil }),
			&apiv1.Beacon{
				State: apiv1.BeaconState_BEACON_STATE_MUTE, MuteReason: proto.String("no_report"), LeaseUntil: timestamppb.New(lease),
				LastSeen: timestamppb.New(now.Add(-time.Second)), SentToday: proto.Int32(0), SkippedToday: proto.Int32(0),
			},
		},
		{
			"a report without clock, frequency or orders", well(func(b *status.Beacon) { b.Health = &wirev1.Health{} }),
			&apiv1.Beacon{
				Vitals: heard(), State: apiv1.BeaconState_BEACON_STATE_READY, LeaseUntil: timestamppb.New(lease), OnAir: proto.Bool(false),
				LastSeen: timestamppb.New(now.Add(-time.Second)), SentToday: proto.Int32(0), SkippedToday: proto.Int32(0),
			},
		},
		{
			"lost: its own words no longer hold", well(func(b *status.Beacon) { keyed(b); b.LastSeen = now.Add(-time.Hour); b.Sent = 4 }),
			&apiv1.Beacon{
				State: apiv1.BeaconState_BEACON_STATE_LOST, LeaseUntil: timestamppb.New(lease), OrdersRevision: proto.String("7.3"),
				LastSeen: timestamppb.New(now.Add(-time.Hour)), SentToday: proto.Int32(4), SkippedToday: proto.Int32(0),
			},
		},
		{
			"keyed, and not heard since the transmission must have ended", well(func(b *status.Beacon) {
				keyed(b)
				b.Health.Slot--
				b.Health.ClockErrorBoundNs = nil
			}),
			&apiv1.Beacon{
				Vitals: heard(), State: apiv1.BeaconState_BEACON_STATE_READY, LeaseUntil: timestamppb.New(lease), OrdersRevision: proto.String("7.3"), Lock: apiv1.LockState_LOCK_STATE_LOCKED,
				LastSeen: timestamppb.New(now.Add(-time.Second)), SentToday: proto.Int32(0), SkippedToday: proto.Int32(0),
			},
		},
		{
			"all known", well(func(b *status.Beacon) {
				keyed(b)
				b.Health.FrequencyUncertaintyPpb = proto.Float64(50)
				b.Health.ClockErrorBoundNs = nil
				said := b.Health
				said.SilentInSeconds, said.ClockReason, said.Satellites = proto.Uint64(3*3600+10*60), "no_fix", proto.Uint32(7)
				said.TemperatureCelsius, said.SupplyVolts, said.ReflectedWatts = proto.Float64(-4), proto.Float64(13.8), proto.Float64(0)
				said.OutboxRecords, said.DiskFreeBytes, said.UptimeSeconds, said.Version = 12, proto.Uint64(1<<30), 3600, "v1.2.3"
				said.Steadiness = &wirev1.Steadiness{
					Allan:                []*wirev1.Measure{{Seconds: 60, Value: 2e-9}},
					MaxTimeIntervalError: []*wirev1.Measure{{Seconds: 60, Value: 1e-7}},
				}
				b.Present = &wirev1.Transmission{Slot: presentSlot, Band: "40m", FrequencyMillihertz: 7_040_101_500}
				b.Next = &wirev1.Transmission{Slot: presentSlot + 2, Band: "20m"}
				b.Sent, b.Skipped = 12, 1
			}),
			&apiv1.Beacon{
				Vitals: &apiv1.Vitals{
					Heard: timestamppb.New(now.Add(-time.Second)), SilentAt: timestamppb.New(now.Add(3*time.Hour + 10*time.Minute - time.Second)),
					ClockReason: proto.String("no_fix"), Satellites: proto.Uint32(7), TemperatureCelsius: proto.Float64(-4),
					SupplyVolts: proto.Float64(13.8), ReflectedWatts: proto.Float64(0), OutboxRecords: 12, DiskFreeBytes: proto.Uint64(1 << 30),
					UptimeSeconds: 3600, Version: "v1.2.3", Allan: []*apiv1.Measure{{Seconds: 60, Value: 2e-9}},
					MaxTimeIntervalError: []*apiv1.Measure{{Seconds: 60, Value: 1e-7}},
				},
				State: apiv1.BeaconState_BEACON_STATE_ON_AIR, LeaseUntil: timestamppb.New(lease), OrdersRevision: proto.String("7.3"), Lock: apiv1.LockState_LOCK_STATE_LOCKED,
				LastSeen: timestamppb.New(now.Add(-time.Second)), SentToday: proto.Int32(12), SkippedToday: proto.Int32(1),
				OnAir: proto.Bool(true), Band: proto.String("40m"), FrequencyHz: proto.Float64(7_040_101.5), FrequencyUncertaintyRatio: proto.Float64(50e-9),
				// 162 symbols of 8192/12000 s after the first second of the slot: 111.592 s.
				OnAirUntil: timestamppb.New(time.Date(2026, 12, 1, 12, 1, 51, 592_000_000, time.UTC)),
				NextStart:  timestamppb.New(time.Date(2026, 12, 1, 12, 4, 0, 0, time.UTC)), NextBand: proto.String("20m"),
			},
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.want.Site, c.want.Beacon = "hilltop", "hilltop-a"
			if diff := cmp.Diff(c.want, show(c.beacon), protocmp.Transform()); diff != "" {
				t.Errorf("(-want +got)\n%s", diff)
			}
		})
	}
}

// A clock strays by 10 parts per million while GPS keeps it and by 50 without:
// 0.4 ms and 2 ms in 40 s.
func TestClockErrorIsThePresentBound(t *testing.T) {
	for lock, want := range map[wirev1.Lock]float64{
		wirev1.Lock_LOCK_LOCKED:      0.0014,
		wirev1.Lock_LOCK_HOLDOVER:    0.003,
		wirev1.Lock_LOCK_NONE:        0.003,
		wirev1.Lock_LOCK_UNSPECIFIED: 0.003,
	} {
		b := well(func(b *status.Beacon) {
			b.Health.Lock, b.Health.ClockErrorBoundNs, b.HealthAt = lock, proto.Int64(1_000_000), now.Add(-40*time.Second)
		})
		got := status.Of(status.Known{Fleet: invented(), Beacons: map[string]status.Beacon{"hilltop-a": b}}, now)[0].GetClockErrorSeconds()
		if diff := got - want; diff < -1e-9 || diff > 1e-9 {
			t.Errorf("%v: %v s, want %v s", lock, got, want)
		}
	}
}

func TestBeaconsAreSortedBySiteAndName(t *testing.T) {
	got := status.Of(status.Known{Fleet: invented()}, now)
	if len(got) != 2 || got[0].Beacon != "hilltop-a" || got[1].Beacon != "mill-a" {
		t.Errorf("got %v", got)
	}
}

// Whatever an agent says of itself, what is shown can be sent and read.
func FuzzAnyHealth(f *testing.F) {
	sane, err := proto.Marshal(well(keyed).Health)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(sane, int64(1))
	f.Add([]byte{}, int64(-1))
	f.Fuzz(func(t *testing.T, message []byte, ago int64) {
		health := &wirev1.Health{}
		if proto.Unmarshal(message, health) != nil {
			return // the intake refuses it
		}
		heard := now.Add(-time.Duration(ago))
		known := status.Known{Fleet: invented(), Beacons: map[string]status.Beacon{"hilltop-a": {LastSeen: heard, Health: health, HealthAt: heard}}}
		shown := status.Of(known, now)[0]
		if _, err := proto.Marshal(shown); err != nil {
			t.Errorf("it can't be sent: %v", err)
		}
		if shown.OnAirUntil != nil && shown.OnAirUntil.CheckValid() != nil {
			t.Errorf("on the air until %v", shown.OnAirUntil)
		}
		if bound := shown.ClockErrorSeconds; bound != nil && health.GetClockErrorBoundNs() >= 0 && *bound < 0 {
			t.Errorf("a clock error of %v s", *bound)
		}
	})
}
