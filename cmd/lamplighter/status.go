package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// statusCmd says how each beacon is.
type statusCmd struct {
	serverFlag
	outputFlag
}

// Help is shown by --help.
func (statusCmd) Help() string {
	return `One line for each beacon. Its state is the first that is true:

    never_seen  its agent has never been heard
    lost        not heard for 90 seconds
    late        not heard for 60 seconds
    on_air      it is transmitting
    hushed      told to be silent, on all its bands
    mute        it would not transmit now; the reason stands beside it
    ready       it transmits when its next slot comes

silent_at is when the beacon falls silent if no source of time speaks to it any
more. What it measures stands under "vitals" with --output json.

What is not known is shown as -, in JSON as null: never as 0.

Examples:

    lamplighter status
    lamplighter status --output json`
}

// beaconStatus is a beacon as --output json shows it. Others rely on its keys.
type beaconStatus struct {
	Site              string   `json:"site"`
	Beacon            string   `json:"beacon"`
	State             string   `json:"state"`
	Lock              string   `json:"lock"`
	ClockErrorSeconds *float64 `json:"clock_error_seconds"`
	LastSeen          *string  `json:"last_seen"`
	OnAir             *bool    `json:"on_air"`
	Band              *string  `json:"band"`
	OrdersRevision    *string  `json:"orders_revision"`
	LeaseUntil        *string  `json:"lease_until"`
	SentToday         *int32   `json:"sent_today"`
	SkippedToday      *int32   `json:"skipped_today"`

	MuteReason                *string        `json:"mute_reason"`
	FrequencyUncertaintyRatio *float64       `json:"frequency_uncertainty_ratio"`
	Vitals                    *beaconsVitals `json:"vitals"`
}

// Run asks and prints.
func (c *statusCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewBeaconServiceClient(conn).ListBeacons(ctx, &apiv1.ListBeaconsRequest{})
		if err != nil {
			return err
		}
		values := make([]beaconStatus, 0, len(answer.GetBeacons()))
		for _, b := range answer.GetBeacons() {
			values = append(values, statusOf(b))
		}
		if len(values) == 0 {
			e.note("There are no beacons before a fleet file is in force; put one there with: lamplighter fleet apply FLEET")
		}
		return c.write(e.stdout, statusTable(values, answer.GetBeacons()), values)
	})
}

func statusOf(b *apiv1.Beacon) beaconStatus {
	return beaconStatus{
		Site: b.GetSite(), Beacon: b.GetBeacon(), State: stateWord(b.GetState()), Lock: lockWord(b.GetLock()),
		ClockErrorSeconds: b.ClockErrorSeconds, LastSeen: timePointer(b.GetLastSeen()), OnAir: b.OnAir, Band: b.Band,
		OrdersRevision: b.OrdersRevision, LeaseUntil: timePointer(b.GetLeaseUntil()), SentToday: b.SentToday, SkippedToday: b.SkippedToday,
		MuteReason: b.MuteReason, FrequencyUncertaintyRatio: b.FrequencyUncertaintyRatio, Vitals: vitalsOf(b.GetVitals()),
	}
}

func statusTable(values []beaconStatus, beacons []*apiv1.Beacon) table {
	t := table{columns: []string{
		"site", "beacon", "state", "lock", "clock_error_seconds", "last_seen", "on_air", "band",
		"orders_revision", "lease_until", "sent_today", "skipped_today", "mute_reason", "silent_at",
	}}
	for i, v := range values {
		t.rows = append(t.rows, []string{
			v.Site, v.Beacon, v.State, v.Lock, seconds(v.ClockErrorSeconds), show(v.LastSeen), show(v.OnAir), show(v.Band),
			show(v.OrdersRevision), show(v.LeaseUntil), show(v.SentToday), show(v.SkippedToday), beacons[i].GetMuteReason(),
			rfc3339(beacons[i].GetVitals().GetSilentAt()),
		})
	}
	return t
}

// stateWord is a state's name: BEACON_STATE_ON_AIR is on_air.
func stateWord(state apiv1.BeaconState) string {
	return strings.ToLower(strings.TrimPrefix(state.String(), "BEACON_STATE_"))
}

// lockWord is a lock's name: unknown where none is stated.
func lockWord(lock apiv1.LockState) string {
	if lock == apiv1.LockState_LOCK_STATE_UNSPECIFIED {
		return "unknown"
	}
	return strings.ToLower(strings.TrimPrefix(lock.String(), "LOCK_STATE_"))
}

func rfc3339(at *timestamppb.Timestamp) string {
	if at == nil {
		return ""
	}
	return at.AsTime().Format(time.RFC3339)
}

func timePointer(at *timestamppb.Timestamp) *string {
	if at == nil {
		return nil
	}
	text := rfc3339(at)
	return &text
}

// show is a value as text, "" where it is unknown.
func show[T any](value *T) string {
	if value == nil {
		return ""
	}
	return fmt.Sprint(*value)
}

func seconds(value *float64) string {
	if value == nil {
		return ""
	}
	return strconv.FormatFloat(*value, 'f', 6, 64)
}
