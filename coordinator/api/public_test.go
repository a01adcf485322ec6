package api

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	grpcstatus "google.golang.org/grpc/status"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/store"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// Strangers are told nothing until the fleet file says so, and then no position
// finer than it says, and neither why a beacon is silent nor who silenced it.
func TestWhatEverybodyIsTold(t *testing.T) {
	g := closedServer(t)
	everybody := apiv1.NewPublicServiceClient(g)
	if _, err := everybody.GetPublic(t.Context(), &apiv1.GetPublicRequest{}); grpcstatus.Code(err) != codes.NotFound {
		t.Errorf("with no word about it in the fleet file: %v", err)
	}
	version := int64(1)
	for _, with := range []struct{ public, locator string }{{"{page: true}", "IN77"}, {"{page: true, locator: 6}", "IN77VX"}, {"{page: true, locator: 0}", ""}} {
		if _, err := g.store.ApplyFleet(t.Context(), store.FleetVersion{Network: "tern", SlotSeconds: 120, YAML: twoSites + "public: " + with.public + "\n"}, version); err != nil {
			t.Fatal(err)
		}
		version++
		told, err := everybody.GetPublic(t.Context(), &apiv1.GetPublicRequest{})
		if err != nil {
			t.Fatal(err)
		}
		if sites := told.GetSites(); len(sites) != 2 || sites[1].GetSite() != "mill" || sites[1].GetLocator() != with.locator {
			t.Errorf("%s: the sites are %v", with.public, sites)
		}
		if beacons := told.GetBeacons(); len(beacons) != 1 || beacons[0].GetCallsign() != "Q1TRN" || beacons[0].GetState() != apiv1.PublicState_PUBLIC_STATE_SILENT {
			t.Errorf("%s: the beacons are %v", with.public, beacons)
		}
	}
	if _, err := g.store.ApplyFleet(t.Context(), store.FleetVersion{Network: "tern", SlotSeconds: 120, YAML: twoSites + "public: {page: false}\n"}, version); err != nil {
		t.Fatal(err)
	}
	if _, err := everybody.GetPublic(t.Context(), &apiv1.GetPublicRequest{}); grpcstatus.Code(err) != codes.NotFound {
		t.Errorf("when it is switched off again: %v", err)
	}
}

// What is told of a beacon in each state: a reason never.
func TestWhatEverybodyIsToldOfABeacon(t *testing.T) {
	f, err := fleet.Read("fleet.yaml", []byte(twoSites))
	if err != nil {
		t.Fatal(err)
	}
	reason := "clock_unsure"
	for state := range apiv1.BeaconState_name {
		told := publicly(f, []*apiv1.Beacon{{Site: "mill", Beacon: "mill-hf", State: apiv1.BeaconState(state), MuteReason: &reason}}, time.Unix(0, 0))
		want := apiv1.PublicState_PUBLIC_STATE_SILENT
		switch apiv1.BeaconState(state) {
		case apiv1.BeaconState_BEACON_STATE_ON_AIR:
			want = apiv1.PublicState_PUBLIC_STATE_ON_AIR
		case apiv1.BeaconState_BEACON_STATE_READY:
			want = apiv1.PublicState_PUBLIC_STATE_WAITING
		}
		if got := told.GetBeacons()[0].GetState(); got != want || strings.Contains(told.String(), reason) {
			t.Errorf("%v is told as %v", apiv1.BeaconState(state), told)
		}
	}
	for ending := range apiv1.SlotEnding_name {
		if told := publicEnding(apiv1.SlotEnding(ending)); told > apiv1.SlotEnding_SLOT_ENDING_SKIPPED {
			t.Errorf("%v is told as %v", apiv1.SlotEnding(ending), told)
		}
	}
}
