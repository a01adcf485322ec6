package api

import (
	"context"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// The bounds of what everybody is told: how old it may be, so that strangers
// cost no more than one question each so often, and how far it reaches.
const (
	publicFor   = 3 * time.Second
	publicReach = 6 * time.Hour
)

// publicService tells everybody what the network wants everybody to know.
type publicService struct {
	apiv1.UnimplementedPublicServiceServer
	options Options

	mu    sync.Mutex // held while somebody asks for all
	fleet *fleet.Fleet
	asked time.Time
	told  *apiv1.GetPublicResponse
}

// GetPublic tells what is on the air.
func (s *publicService) GetPublic(ctx context.Context, _ *apiv1.GetPublicRequest) (*apiv1.GetPublicResponse, error) {
	current, _, err := s.options.Fleets.Current(ctx)
	if err != nil {
		return nil, err
	}
	if current == nil || !current.Public.Page {
		return nil, fault.New(fault.NotFound, "", "this network has no page for everybody")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fleet == current && time.Since(s.asked) < publicFor {
		return s.told, nil
	}
	beacons, now, err := s.options.Store.Beacons(ctx, s.options.Fleets)
	if err != nil {
		return nil, err
	}
	slots, err := s.options.Store.Slots(ctx, "", now.Add(-publicReach), now.Add(publicReach), mostSlots)
	if err != nil {
		return nil, err
	}
	told := publicly(current, beacons, now)
	for _, e := range slots {
		if current.Beacon(e.Beacon) != nil {
			told.Slots = append(told.Slots, &apiv1.PublicSlot{Beacon: e.Beacon, Slot: e.Slot, Band: e.Band, Ending: publicEnding(endings[e.Ending])})
		}
	}
	s.fleet, s.asked, s.told = current, time.Now(), told
	return told, nil
}

// publicly is what everybody may know of a fleet and how its beacons are.
func publicly(f *fleet.Fleet, beacons []*apiv1.Beacon, now time.Time) *apiv1.GetPublicResponse {
	told := &apiv1.GetPublicResponse{Network: f.Network.Name, SlotSeconds: int64(f.Network.Slot), At: timestamppb.New(now)}
	for _, site := range f.Sites {
		shown := &apiv1.PublicSite{Site: site.Name}
		if f.Public.Locator > 0 {
			shown.Locator = site.Locator.Truncate(f.Public.Locator).String()
		}
		told.Sites = append(told.Sites, shown)
	}
	slices.SortFunc(told.Sites, func(a, b *apiv1.PublicSite) int { return strings.Compare(a.GetSite(), b.GetSite()) })
	for _, b := range beacons {
		if known := f.Beacon(b.GetBeacon()); known != nil {
			told.Beacons = append(told.Beacons, publicBeacon(known, b))
		}
	}
	return told
}

func publicBeacon(known *fleet.Beacon, b *apiv1.Beacon) *apiv1.PublicBeacon {
	shown := &apiv1.PublicBeacon{Site: known.Site.Name, Beacon: known.Name, Callsign: known.Callsign, State: apiv1.PublicState_PUBLIC_STATE_SILENT}
	for _, use := range known.Bands {
		shown.Bands = append(shown.Bands, use.Band.Name)
	}
	switch b.GetState() {
	case apiv1.BeaconState_BEACON_STATE_ON_AIR:
		shown.State = apiv1.PublicState_PUBLIC_STATE_ON_AIR
		shown.Band, shown.FrequencyHz, shown.OnAirUntil = b.GetBand(), b.GetFrequencyHz(), b.GetOnAirUntil()
	case apiv1.BeaconState_BEACON_STATE_READY:
		shown.State = apiv1.PublicState_PUBLIC_STATE_WAITING
		shown.NextStart, shown.NextBand = b.GetNextStart(), b.GetNextBand()
	}
	return shown
}

// publicEnding keeps to itself why a slot was not sent whole.
func publicEnding(ending apiv1.SlotEnding) apiv1.SlotEnding {
	if ending == apiv1.SlotEnding_SLOT_ENDING_SENT || ending == apiv1.SlotEnding_SLOT_ENDING_OPEN {
		return ending
	}
	return apiv1.SlotEnding_SLOT_ENDING_SKIPPED
}
