// Package status says how each beacon is, from what the coordinator knows and
// a given time.
//
// The time is the coordinator's: how long a beacon was not heard is counted on
// the clock that received it, never on the beacon's own. A state is the first
// that is true of never seen, lost (not heard for 90 s), late (60 s), on the
// air, hushed (on all its bands), mute, ready.
//
// What is not known is absent, never zero. What a beacon said of itself counts
// until it is lost; after that only what the coordinator knows by itself is
// told. A beacon that said it was on the air and was not heard since its
// transmission must have ended, or that speaks of a slot far from this one, is
// not said to be on the air, nor to be off it.
package status

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fleet"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// How long a beacon may be silent before it counts as late, and as lost.
const (
	LateAfter = 60 * time.Second
	LostAfter = 90 * time.Second
)

// How fast a clock may leave the time that it had: 10 parts per million while
// something keeps it, 50 on its own.
const (
	keptDrift  = 10e-6
	aloneDrift = 50e-6
)

// endGrace is how long after the end of a transmission the word that it ended
// may take to arrive.
const endGrace = 2 * time.Second

// Reasons for being mute that the coordinator knows by itself.
const (
	NoReport = "no_report" // it was heard, and has not said yet how it is
	NoLease  = "no_lease"  // it never had a lease, or its lease ran out
)

// Known is what the coordinator knows of the fleet at one time.
type Known struct {
	Fleet   *fleet.Fleet
	Beacons map[string]Beacon // by the beacon's name; missing: never heard
	Hushes  []fleet.Scope     // in force
}

// Beacon is what the coordinator knows of one beacon.
type Beacon struct {
	LastSeen   time.Time            // when it was last heard, by the coordinator's clock; zero: never
	Health     *wirev1.Health       // its latest word on itself; nil: none yet
	HealthAt   time.Time            // when that arrived, by the coordinator's clock
	LeaseUntil time.Time            // the end of the latest lease granted to it; zero: none
	Present    *wirev1.Transmission // as ordered for the slot that it says it is on the air in; nil: unknown
	Next       *wirev1.Transmission // its next ordered slot; nil: none
	Sent       int                  // of the slots that started this UTC day
	Skipped    int                  // likewise: ordered and not sent whole
}

// Of gives the beacons of the fleet as they are, by site and name.
func Of(known Known, now time.Time) []*apiv1.Beacon {
	beacons := make([]*apiv1.Beacon, 0, len(known.Fleet.Beacons))
	for _, b := range known.Fleet.Beacons {
		view := view{Beacon: known.Beacons[b.Name], beacon: b, hushes: known.Hushes, slot: known.Fleet.Network.Slot, now: now}
		beacons = append(beacons, view.show())
	}
	slices.SortFunc(beacons, func(a, b *apiv1.Beacon) int {
		return cmp.Or(cmp.Compare(a.Site, b.Site), cmp.Compare(a.Beacon, b.Beacon))
	})
	return beacons
}

// view is one beacon at one time.
type view struct {
	Beacon
	beacon *fleet.Beacon
	hushes []fleet.Scope
	slot   slot.Length
	now    time.Time
}

func (v view) show() *apiv1.Beacon {
	shown := &apiv1.Beacon{Site: v.beacon.Site.Name, Beacon: v.beacon.Name, State: v.state()}
	if !v.LeaseUntil.IsZero() {
		shown.LeaseUntil = timestamppb.New(v.LeaseUntil)
	}
	if v.Next != nil {
		shown.NextStart = timestamppb.New(v.slot.Start(slot.Number(v.Next.Slot)))
		shown.NextBand = proto.String(v.Next.Band)
	}
	if v.LastSeen.IsZero() {
		return shown
	}
	shown.LastSeen = timestamppb.New(v.LastSeen)
	shown.SentToday, shown.SkippedToday = proto.Int32(int32(v.Sent)), proto.Int32(int32(v.Skipped))
	if shown.State == apiv1.BeaconState_BEACON_STATE_MUTE {
		shown.MuteReason = proto.String(v.muteReason())
	}
	if v.Health != nil {
		v.showOrders(shown)
		if shown.State != apiv1.BeaconState_BEACON_STATE_LOST {
			v.showReport(shown)
		}
	}
	return shown
}

func (v view) state() apiv1.BeaconState {
	silent := v.now.Sub(v.LastSeen)
	switch {
	case v.LastSeen.IsZero():
		return apiv1.BeaconState_BEACON_STATE_NEVER_SEEN
	case silent >= LostAfter:
		return apiv1.BeaconState_BEACON_STATE_LOST
	case silent >= LateAfter:
		return apiv1.BeaconState_BEACON_STATE_LATE
	case v.keyed() && v.present():
		return apiv1.BeaconState_BEACON_STATE_ON_AIR
	case v.hushed():
		return apiv1.BeaconState_BEACON_STATE_HUSHED
	case v.muteReason() != "":
		return apiv1.BeaconState_BEACON_STATE_MUTE
	}
	return apiv1.BeaconState_BEACON_STATE_READY
}

// keyed says whether its latest word was that it is on the air.
func (v view) keyed() bool { return v.Health.GetOnAir() }

// endOfTransmission is when the transmission that it spoke of ends.
func (v view) endOfTransmission() time.Time {
	return v.slot.Start(slot.Number(v.Health.GetSlot())).Add(v.slot.Timing().End())
}

// present says whether the transmission that it spoke of can be under way: its
// slot is this one, or a neighbour by a clock that is not quite right, and it
// need not have ended.
func (v view) present() bool {
	slots := int64(v.slot.At(v.now)) - v.Health.GetSlot()
	return slots >= -1 && slots <= 1 && !v.now.After(v.endOfTransmission().Add(endGrace))
}

// hushed says whether the hushes in force cover all its bands.
func (v view) hushed() bool {
	for _, use := range v.beacon.Bands {
		if !slices.ContainsFunc(v.hushes, func(hush fleet.Scope) bool { return hush.Covers(v.beacon, use.Band.Name) }) {
			return false
		}
	}
	return true
}

// muteReason is why it would not transmit, "" if it would.
func (v view) muteReason() string {
	switch {
	case v.Health == nil:
		return NoReport
	case v.Health.GetMuteReason() != "":
		return v.Health.GetMuteReason()
	case !v.LeaseUntil.After(v.now):
		return NoLease
	}
	return ""
}

func (v view) showOrders(shown *apiv1.Beacon) {
	if orders := v.Health.GetOrders(); orders.GetEpoch() > 0 {
		shown.OrdersRevision = proto.String(fmt.Sprintf("%d.%d", orders.GetEpoch(), orders.GetRevision()))
	}
}

// showReport tells what the beacon said of itself, as far as it still holds.
func (v view) showReport(shown *apiv1.Beacon) {
	shown.Vitals = v.vitals()
	shown.Lock = lock(v.Health.GetLock())
	if v.Health.ClockErrorBoundNs != nil {
		shown.ClockErrorSeconds = proto.Float64(v.clockError())
	}
	if v.Health.FrequencyUncertaintyPpb != nil {
		shown.FrequencyUncertaintyRatio = proto.Float64(v.Health.GetFrequencyUncertaintyPpb() / 1e9)
	}
	if v.keyed() && !v.present() {
		return
	}
	shown.OnAir = proto.Bool(v.keyed())
	if v.keyed() {
		shown.Band = proto.String(v.Health.GetBand())
		shown.OnAirUntil = timestamppb.New(v.endOfTransmission())
		if v.Present != nil {
			shown.FrequencyHz = proto.Float64(float64(v.Present.GetFrequencyMillihertz()) / 1000)
		}
	}
}

// clockError is how wrong its clock may be now: what it said, and what the
// clock may have strayed since.
func (v view) clockError() float64 {
	drift := aloneDrift
	if v.Health.GetLock() == wirev1.Lock_LOCK_LOCKED {
		drift = keptDrift
	}
	since := max(0, v.now.Sub(v.HealthAt).Seconds())
	return time.Duration(v.Health.GetClockErrorBoundNs()).Seconds() + drift*since
}

func lock(said wirev1.Lock) apiv1.LockState {
	switch said {
	case wirev1.Lock_LOCK_LOCKED:
		return apiv1.LockState_LOCK_STATE_LOCKED
	case wirev1.Lock_LOCK_HOLDOVER:
		return apiv1.LockState_LOCK_STATE_HOLDOVER
	case wirev1.Lock_LOCK_NONE:
		return apiv1.LockState_LOCK_STATE_NONE
	}
	return apiv1.LockState_LOCK_STATE_UNSPECIFIED
}
