package console_test

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp/kb"
	"google.golang.org/grpc/codes"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// GetPublic tells strangers what the fleet file wants.
func (s *stage) GetPublic(context.Context, *apiv1.GetPublicRequest) (*apiv1.GetPublicResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fleet == nil || !s.fleet.Public.Page {
		return nil, grpcstatus.Error(codes.NotFound, "this network has no page for everybody")
	}
	told := &apiv1.GetPublicResponse{Network: s.fleet.Network.Name, SlotSeconds: int64(s.fleet.Network.Slot), At: timestamppb.New(s.now())}
	for _, site := range s.fleet.Sites {
		told.Sites = append(told.Sites, &apiv1.PublicSite{Site: site.Name, Locator: site.Locator.Truncate(4).String()})
	}
	for _, b := range s.fleet.Beacons {
		shown := &apiv1.PublicBeacon{Site: b.Site.Name, Beacon: b.Name, Callsign: b.Callsign, State: apiv1.PublicState_PUBLIC_STATE_SILENT}
		for _, use := range b.Bands {
			shown.Bands = append(shown.Bands, use.Band.Name)
		}
		switch is := s.beacons[b.Name]; is.GetState() {
		case apiv1.BeaconState_BEACON_STATE_ON_AIR:
			shown.State, shown.Band, shown.FrequencyHz, shown.OnAirUntil = apiv1.PublicState_PUBLIC_STATE_ON_AIR, is.GetBand(), is.GetFrequencyHz(), is.GetOnAirUntil()
		case apiv1.BeaconState_BEACON_STATE_READY:
			shown.State, shown.NextStart = apiv1.PublicState_PUBLIC_STATE_WAITING, is.GetNextStart()
		}
		told.Beacons = append(told.Beacons, shown)
	}
	for _, x := range s.plan.Transmissions {
		ending := apiv1.SlotEnding_SLOT_ENDING_OPEN
		if x.Start.Before(began.Add(-2 * time.Minute)) {
			ending = apiv1.SlotEnding_SLOT_ENDING_SENT
		}
		if away := x.Start.Sub(began).Abs(); away < 6*time.Hour {
			told.Slots = append(told.Slots, &apiv1.PublicSlot{Beacon: x.Beacon, Slot: int64(s.fleet.Network.Slot.At(x.Start)), Band: x.Band, Ending: ending})
		}
	}
	return told, nil
}

// TestPublic shows strangers what is on the air, and nothing else: no reason, no
// name, no other page, and no way to do anything.
func TestPublic(t *testing.T) {
	t.Parallel()
	s := busy(t, "viewer")
	s.access.leave()
	v := visit(t, s, phone, "light")
	v.goTo("/public")
	v.says("2 are silent.") // one is hushed and one is mute
	v.says("IN87")
	for _, secret := range []string{"mast work", "Kim", "clock", "Hush", "IN87OA", "keyer"} {
		if strings.Contains(v.text(), secret) {
			t.Errorf("strangers read %q:\n%s", secret, v.text())
		}
	}
	v.tabTo(".pane")
	v.press(kb.ArrowRight)
	v.await(`/hilltop-hf, 2026-12-01 12:00:00: (silent|[24]0m)/.test(document.getElementById("readout").textContent)`)
	v.press(kb.Enter)
	s.change("mill-a", func(b *apiv1.Beacon) { b.State = apiv1.BeaconState_BEACON_STATE_LOST })
	v.await(`(document.querySelectorAll(".is-silent").length === 3)`) // it is asked for again
	v.axe()
	v.fits("public")
	v.picture("public-phone-light")

	off := open(t, strings.Replace(valley, "public: {page: true}", "public: {page: false}", 1), "viewer")
	for _, path := range []string{"/public", "/public/slots?from=1&to=2"} {
		answer, err := http.Get(off.url + path) //nolint:noctx // it ends with the server
		if err != nil {
			t.Fatal(err)
		}
		_ = answer.Body.Close()
		if answer.StatusCode != http.StatusNotFound {
			t.Errorf("%s of a network that wants none: status %d", path, answer.StatusCode)
		}
	}
}

// TestPublicIsBounded: strangers get no more slots at once than a script needs,
// and every other page asks who they are.
func TestPublicIsBounded(t *testing.T) {
	t.Parallel()
	s := open(t, valley, "viewer")
	s.access.leave()
	for path, want := range map[string]int{
		"/public/slots?from=14967720&to=14967780": http.StatusOK, "/public/slots?from=0&to=1441": http.StatusBadRequest,
		"/public/slots?from=-5&to=5": http.StatusBadRequest, "/public?at=9999999": http.StatusBadRequest,
		"/": http.StatusUnauthorized, "/live": http.StatusUnauthorized, "/timeline/slots?from=0&to=5": http.StatusUnauthorized,
		"/why?beacon=mill-a": http.StatusUnauthorized, "/beacon/mill-a": http.StatusUnauthorized, "/report/file?form=json": http.StatusUnauthorized,
	} {
		answer, err := http.Get(s.url + path) //nolint:noctx // it ends with the server
		if err != nil {
			t.Fatal(err)
		}
		_ = answer.Body.Close()
		if answer.StatusCode != want {
			t.Errorf("%s: status %d, want %d", path, answer.StatusCode, want)
		}
	}
}
