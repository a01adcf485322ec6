package demo

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fleet"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

func beacon(name string, state apiv1.BeaconState) *apiv1.Beacon {
	return &apiv1.Beacon{Site: "hilltop", Beacon: name, State: state, OrdersRevision: proto.String("1.1")}
}

func TestBeaconsInAFewWords(t *testing.T) {
	at := timestamppb.New(time.Date(2026, 12, 1, 12, 0, 27, 0, time.UTC))
	for want, b := range map[string]*apiv1.Beacon{
		"never seen":                       {State: apiv1.BeaconState_BEACON_STATE_NEVER_SEEN},
		"lost":                             {State: apiv1.BeaconState_BEACON_STATE_LOST},
		"hushed":                           {State: apiv1.BeaconState_BEACON_STATE_HUSHED},
		"mute: no lease":                   {State: apiv1.BeaconState_BEACON_STATE_MUTE, MuteReason: proto.String("no_lease")},
		"ready":                            {State: apiv1.BeaconState_BEACON_STATE_READY},
		"ready, next on 20m at 12:00:27":   {State: apiv1.BeaconState_BEACON_STATE_READY, NextBand: proto.String("20m"), NextStart: at},
		"on the air on 40m until 12:00:27": {State: apiv1.BeaconState_BEACON_STATE_ON_AIR, Band: proto.String("40m"), OnAirUntil: at},
	} {
		if got := describe(b); got != want {
			t.Errorf("%v is %q, want %q", b, got, want)
		}
	}
}

func TestALineForEachChangeInAPipe(t *testing.T) {
	var out strings.Builder
	v := view{demo: &demo{Options: Options{Out: &out}, upAt: time.Now()}, before: map[string]string{}}
	ready, onAir := beacon("a", apiv1.BeaconState_BEACON_STATE_READY), beacon("a", apiv1.BeaconState_BEACON_STATE_ON_AIR)
	for _, b := range []*apiv1.Beacon{ready, ready, onAir, onAir, ready} {
		v.update([]*apiv1.Beacon{b})
	}
	if lines := strings.Count(out.String(), " hilltop "); lines != 3 || strings.Count(out.String(), "First orders at all 1 agents") != 1 || strings.Contains(out.String(), "\x1b") {
		t.Errorf("%d lines for 3 changes:\n%s", lines, &out)
	}
}

func TestTheTableFitsTheTerminal(t *testing.T) {
	var out strings.Builder
	v := view{demo: &demo{Options: Options{Out: &out, Lines: 12}}, before: map[string]string{}}
	var beacons []*apiv1.Beacon
	for i := range 30 {
		beacons = append(beacons, beacon(fmt.Sprintf("b%02d", i), apiv1.BeaconState_BEACON_STATE_READY))
	}
	beacons[29].State = apiv1.BeaconState_BEACON_STATE_ON_AIR
	v.draw(beacons)
	lines := strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n")
	if len(lines) != 10 || !strings.Contains(lines[1], "b29") || lines[9] != "and 22 more, which lamplighter status lists" {
		t.Errorf("%d lines:\n%s", len(lines), &out)
	}
	out.Reset()
	v.draw(beacons)
	if !strings.HasPrefix(out.String(), "\x1b[10A\x1b[J") {
		t.Errorf("the next table does not take the place of the first: %.20q", out.String())
	}
}

// The fleets that the demo invents are right, and as asked for.
func TestInventedFleets(t *testing.T) {
	for _, beacons := range []int{0, 1, 2, 5, 9, 100, 500} {
		f, err := fleet.Read("demo.yaml", []byte(Fleet(beacons)))
		if err != nil {
			t.Fatalf("%d beacons: %v", beacons, err)
		}
		if beacons > 0 && len(f.Beacons) != beacons {
			t.Errorf("%d beacons, want %d", len(f.Beacons), beacons)
		}
		calls, shared := map[string]bool{}, 0
		for _, b := range f.Beacons {
			calls[b.Callsign] = true
			shared += len(b.Shared)
			if !strings.HasPrefix(b.Callsign, "Q") {
				t.Errorf("call sign %s does not begin with Q", b.Callsign)
			}
		}
		switch {
		case beacons == 0 && (len(f.Sites) < 3 || len(f.Beacons) < 8 || shared < 2):
			t.Errorf("the demo's own network has %d sites, %d beacons, %d that share", len(f.Sites), len(f.Beacons), shared)
		case beacons > 0 && len(calls) != beacons:
			t.Errorf("%d call signs for %d beacons", len(calls), beacons)
		}
	}
}
