package console_test

import (
	"os"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// everyPage are all pages that an admin can open.
var everyPage = map[string]string{
	"now": "/", "timeline": "/timeline", "why": "/why?beacon=mill-a&at=2026-12-01T12:04:00Z", "beacon": "/beacon/hilltop-hf", "reach": "/beacon/mill-a/heard?week=2026-W48",
	"plan": "/plan", "edit": "/plan/edit", "where": "/where", "start": "/start", "club": "/club",
	"hush": "/hush", "hushed": "/hush/1", "release": "/release", "nothing": "/nothing",
	"fleet": "/plan/fleet", "network": "/plan/network", "site": "/plan/site/mill", "receiver": "/plan/receiver", "public asked": "/plan/public", "beacon asked": "/plan/beacon/hilltop-hf", "beacon to come": "/plan/beacon?site=mill",
	"month": "/plan/calendar", "week": "/plan/calendar?view=week&zone=Europe/Paris", "pause": "/plan/pause?key=pause.0", "pause to come": "/plan/pause?day=2026-12-24",
	"device": "/enrol/hilltop-hf", "person": "/people/kim", "another password": "/people/kim/password", "who": "/who", "who it was": "/who?at=2026-12-01T11:00&clock=Europe/Paris&freq=7040.1kHz", "heard": "/heard", "try alerts": "/alerts/test",
	"recipient": "/plan/recipient/kim", "recipient to come": "/plan/recipient", "limits": "/plan/limits", "reports": "/plan/reports",
	"trail": "/trail", "trail checked": "/trail/check", "people": "/people", "leaver": "/people/kim/end", "report": "/report", "report of one": "/report?week=2026-W47&scope=beacon:mill-a", "alerts": "/alerts", "alerts of all": "/alerts?all=1", "take": "/alerts/7/take", "silence": "/silence?condition=gps_lost&scope=site:mill",
}

// closedTo names pages that are refused.
var (
	forAdmins = []string{
		"device", "person", "another password", "try alerts", "edit", "fleet", "network", "site", "receiver", "public asked", "beacon asked", "beacon to come",
		"recipient", "recipient to come", "limits", "reports", "pause", "pause to come", "trail", "trail checked", "people", "leaver",
	}
	closedTo = map[string][]string{"operator": forAdmins, "viewer": slices.Concat(forAdmins, []string{"hush", "release", "take", "silence"})}
)

// busy is a stage on which something is wrong, hushed, and on the air.
func busy(t testing.TB, role string) *stage {
	s := open(t, valley, role)
	s.change("mill-b", func(b *apiv1.Beacon) {
		b.State, b.MuteReason = apiv1.BeaconState_BEACON_STATE_MUTE, proto.String("clock_unsure")
		b.ClockErrorSeconds, b.Lock, b.OnAir = proto.Float64(0.73), apiv1.LockState_LOCK_STATE_HOLDOVER, proto.Bool(false)
	})
	s.change("harbour-a", func(b *apiv1.Beacon) { b.State, b.OnAir = apiv1.BeaconState_BEACON_STATE_HUSHED, proto.Bool(false) })
	s.mu.Lock()
	defer s.mu.Unlock()
	s.hushes = []*apiv1.HushInForce{{Hush: 1, Scope: &apiv1.HushedScope{Site: "harbour"}, Reason: "mast work", GivenBy: "Kim", Since: s.file.GetAppliedAt()}}
	s.confirmed["harbour-a"] = true
	s.alerts, s.silences = wrong()
	return s
}

// sight is a way in which pages are looked at.
type sight struct {
	role, scheme string
	on           screen
}

// sights are those of every page. Whoever looks at the pictures sees all of an
// admin's, on each screen by day and by night.
func sights() []sight {
	all := []sight{{"admin", "light", desk}, {"admin", "dark", phone}, {"operator", "dark", desk}, {"viewer", "light", phone}}
	if os.Getenv("LAMPLIGHTER_PICTURES") != "" {
		all = append(all, sight{"admin", "dark", desk}, sight{"admin", "light", phone})
	}
	return all
}

// TestEveryPage opens each page as everybody, on both screens, by day and by
// night: no script complains, nothing is wider than the screen, nothing comes
// from another host, and axe finds nothing.
func TestEveryPage(t *testing.T) {
	for _, look := range sights() {
		t.Run(look.role+" "+look.scheme+" "+look.on.name, func(t *testing.T) {
			t.Parallel()
			s := busy(t, look.role)
			v := visit(t, s, look.on, look.scheme)
			for name, path := range everyPage {
				v.goTo(path)
				refused := strings.Contains(v.text(), "That is not yours to do")
				if closed := slices.Contains(closedTo[look.role], name); closed != refused {
					t.Errorf("%s: refused %v, want %v", name, refused, closed)
				}
				hush := value[bool](v, "document.querySelector('.hushnow') !== null")
				if want := look.role != "viewer"; hush != want {
					t.Errorf("%s: silence at hand %v, want %v", name, hush, want)
				}
				if !strings.Contains(v.text(), "take the supply away and hang the tag") {
					t.Errorf("%s does not say under the hush that it is no lock-out", name)
				}
				v.fits(name)
				switch {
				case refused && name != "edit": // all that are refused are alike
				case look.role == "admin" && (look.on == phone || look.scheme == "dark"):
					v.axe(looks...)
				default:
					v.axe()
				}
				v.picture(look.role + "/" + name + "-" + look.on.name + "-" + look.scheme)
			}
		})
	}
}
