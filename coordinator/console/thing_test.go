package console_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// noted is a fleet with words that somebody wrote into it by hand.
var noted = strings.NewReplacer(
	"beacons:\n", "# Ours. Mind the neighbours.\nbeacons:\n",
	"bands: [80m], licence: {max_power_dbm: 40}}\n", "bands: [80m], licence: {max_power_dbm: 40}}  # Kim has the key\n",
).Replace(valley)

func (s *stage) yaml() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.file.GetYaml()
}

// TestBeaconForm changes a beacon without YAML, on a desk with the keyboard alone: what
// is wrong is said at the field in the words of the fleet file, the difference is
// shown before anything counts, and the file stays as it was written but for that.
func TestBeaconForm(t *testing.T) {
	for _, on := range []screen{desk, phone} {
		t.Run(on.name, func(t *testing.T) {
			t.Parallel()
			s := open(t, noted, "admin")
			v := visit(t, s, on, "light")
			reach := v.tabTo // by keyboard; a phone has none
			if on == phone {
				reach = func(selector string) {
					t.Helper()
					v.await(`(document.querySelector('` + selector + `').focus(), document.activeElement.select && document.activeElement.select(), true)`)
				}
			}
			v.goTo("/plan/fleet")
			reach(`a[href="/plan/beacon/harbour-a"]`)
			v.press(kb.Enter)
			v.says("Who can stop it")
			reach("#f-share")
			v.press("0,5") // the field is selected, so this replaces what stands there
			v.press(kb.Enter)
			v.says(`Share must be a number from 0 to 1, not "0,5"`)
			v.await(`document.querySelector("#f-share").getAttribute("aria-invalid") === "true" && document.querySelector("#refusal a").hash === "#f-share"`)
			if v.axe(); s.yaml() != noted {
				t.Error("it counts already")
			}
			v.picture("wrong field-" + on.name + "-light")
			reach("#f-share")
			v.press("0.5")
			reach("#f-bands-1-name")
			v.press("40m")
			reach("#f-bands-1-weight")
			v.press("2")
			v.press(kb.Enter)
			v.says("beacon harbour-a: share 0.25 -> 0.5")
			v.await(`[...document.querySelectorAll("#difference tr")].some((r) => r.innerText.includes("harbour-a") && r.innerText.includes("180 of 180") && r.innerText.includes("360 of 360") && r.innerText.includes("+180"))`)
			v.axe()
			v.picture("tried field-" + on.name + "-light")
			reach(`button[value="apply"]`)
			v.press(kb.Enter)
			v.says("Version 2 is in force")
			want := strings.Replace(strings.Replace(noted, "share: 0.25", "share: 0.5", 1), "bands: [80m]", "bands: [80m, {name: 40m, weight: 2}]", 1)
			if got := s.yaml(); got != want {
				t.Errorf("the file is now\n%s\nwant\n%s", got, want)
			}
		})
	}
}

// TestFormsTogether lets two people change one beacon and its neighbour at once:
// what only one of them changed is right, and where both did both answers are
// told.
func TestFormsTogether(t *testing.T) {
	t.Parallel()
	s := open(t, noted, "admin")
	v := visit(t, s, desk, "light")
	v.goTo("/plan/beacon/mill-a")
	fill := func(id, with string) {
		v.await(`(document.getElementById("` + id + `").value = "` + with + `") !== undefined`)
	}
	fill("f-share", "0.5")
	fill("f-rest", "1")
	v.click(`button[value="see"]`)
	v.says("beacon mill-a: rest 0 -> 1")
	// Kim was first: the same share, another power, and another beacon's share.
	kims := strings.NewReplacer("share: 0.6", "share: 0.4", "share: 0.7", "share: 0.35", "control: remote, power_dbm: 23, share: 0.6", "control: remote, power_dbm: 27, share: 0.4").Replace(noted)
	s.put(t, kims)
	v.click(`button[value="apply"]`)
	v.says("Somebody else was first")
	v.says("Kim put version 2 in force")
	v.says("they wrote 0.4, you wrote 0.5")
	v.says("Taken over into the form: Power.")
	v.await(`document.getElementById("f-share").value === "0.5" && document.getElementById("f-rest").value === "1" && document.getElementById("f-power_dbm").value === "27"`)
	v.axe()
	v.picture("both changed-desk-light")
	if s.yaml() != kims {
		t.Error("it was put in force over Kim's")
	}
	v.click(`button[value="apply"]`)
	v.says("Version 3 is in force")
	want := strings.Replace(kims, "power_dbm: 27, share: 0.4, uncertainty_ppm: 0.05, bands: [40m, 30m],", "power_dbm: 27, share: 0.5, uncertainty_ppm: 0.05, bands: [40m, 30m], rest: 1,", 1)
	if got := s.yaml(); got != want {
		t.Errorf("the file is now\n%s", got)
	}

	// Whoever's thing is gone keeps what was written.
	v.goTo("/plan/beacon/mill-b")
	fill("f-share", "0.2")
	s.put(t, strings.Join(slicesWithout(strings.SplitAfter(want, "\n"), "name: mill-b", "beacon: mill-b", "pauses:"), ""))
	v.click(`button[value="see"]`)
	v.says("Beacon mill-b is not in the fleet any more")
	v.await(`document.getElementById("f-share").value === "0.2"`)
}

func slicesWithout(lines []string, words ...string) (kept []string) {
	for _, line := range lines {
		with := true
		for _, w := range words {
			with = with && !strings.Contains(line, w)
		}
		if with {
			kept = append(kept, line)
		}
	}
	return kept
}

// TestAddAndRemove makes a site and a beacon at it, and takes both out again.
func TestAddAndRemove(t *testing.T) {
	t.Parallel()
	s := open(t, noted, "admin")
	v := visit(t, s, phone, "dark")
	fill := func(id, with string) {
		v.await(`(document.getElementById("` + id + `").value = "` + with + `") !== undefined`)
	}
	v.goTo("/plan/site")
	fill("f-name", "quay")
	fill("f-locator", "IN95")
	fill("f-time_zone", "Europe/Pairs")
	v.click(`button[value="see"]`)
	v.says(`There is no time zone "Europe/Pairs"; did you mean Europe/Paris?`)
	fill("f-time_zone", "Europe/Paris")
	v.click(`button[value="see"]`)
	v.says("site quay: added")
	v.click(`button[value="apply"]`)
	v.says("No beacon stands here yet")
	v.click(`a[href="/plan/beacon?site=quay"]`)
	v.await(`document.getElementById("f-site") !== null && document.getElementById("f-site").value === "quay"`)
	for id, with := range map[string]string{"f-name": "quay-hf", "f-callsign": "Q5QUA", "f-control": "automatic", "f-power_dbm": "23", "f-share": "0.1", "f-bands-0-name": "30m", "f-uncertainty_ppm": "0.05", "f-licence-max_power_dbm": "30"} {
		fill(id, with)
	}
	v.click(`button[value="see"]`)
	v.says("beacon quay-hf: added")
	v.await(`[...document.querySelectorAll("#difference tr")].some((r) => r.innerText.includes("quay-hf") && r.innerText.includes("new") && r.innerText.includes("+72"))`)
	v.click(`button[value="apply"]`)
	v.says("Version 3 is in force")
	if got := s.yaml(); !strings.Contains(got, "\n  - {name: quay-hf, callsign: Q5QUA, site: quay, control: automatic, power_dbm: 23, licence: {max_power_dbm: 30}, share: 0.1, bands: [30m], uncertainty_ppm: 0.05}\n") {
		t.Errorf("the file is now\n%s", got)
	}

	v.goTo("/plan/site/quay")
	v.click(`button[value="remove"]`)
	v.says("Site quay still has quay-hf: move that to another site or take it out first")
	v.goTo("/plan/beacon/quay-hf")
	v.click(`button[value="remove"]`)
	v.says("Beacon quay-hf is to go")
	v.await(`[...document.querySelectorAll("#difference tr")].some((r) => r.innerText.includes("quay-hf") && r.innerText.includes("gone") && r.innerText.includes("-72"))`)
	v.picture("removing-phone-dark")
	v.click(`button[value="apply"]`)
	v.says("Version 4 is in force")
	v.goTo("/plan/site/quay")
	v.click(`button[value="remove"]`)
	v.says("Site quay is to go")
	v.click(`button[value="apply"]`)
	v.says("Version 5 is in force")
	if got := s.yaml(); got != noted {
		t.Errorf("the file is not as it was:\n%s", got)
	}
}

// TestFormKeepsWhatWasWritten where the coordinator does not answer, and where
// the session is over meanwhile.
func TestFormKeepsWhatWasWritten(t *testing.T) {
	t.Parallel()
	s := open(t, valley, "admin")
	v := visit(t, s, desk, "light")
	v.goTo("/plan/beacon/mill-a")
	v.await(`(document.getElementById("f-share").value = "0.5") === "0.5"`)
	s.gone.Store(true)
	s.web.CloseClientConnections()
	v.click(`button[value="see"]`)
	v.says("The coordinator does not answer. What you wrote still stands here")
	s.gone.Store(false)
	s.access.leave()
	v.click(`button[value="see"]`)
	v.says("Your session is over. What you wrote still stands here")
	v.await(`document.querySelector("#cutoff a").pathname === "/login" && document.getElementById("f-share").value === "0.5"`)
	s.access.mu.Lock()
	s.access.known = true
	s.access.mu.Unlock()
	v.click(`button[value="see"]`)
	v.says("beacon mill-a: share 0.6 -> 0.5")
}

// TestWhoMayNotChange: a form that somebody sends who may not is refused, and so
// is one that is not whole.
func TestWhoMayNotChange(t *testing.T) {
	for role, want := range map[string]int{"viewer": http.StatusForbidden, "operator": http.StatusForbidden, "admin": http.StatusBadRequest} {
		s := open(t, valley, role)
		for _, path := range []string{"/plan/network", "/plan/site/mill", "/plan/beacon/mill-a", "/plan/pause"} {
			answer, err := http.PostForm(s.url+path, url.Values{"do": {"apply"}, "share": {"0.5"}})
			if err != nil {
				t.Fatal(err)
			}
			if answer.Body.Close(); answer.StatusCode != want || s.yaml() != valley {
				t.Errorf("%s sends %s: status %d, want %d", role, path, answer.StatusCode, want)
			}
		}
	}
}

// TestByHandOnly sends people to the text where a form can't change it.
func TestByHandOnly(t *testing.T) {
	t.Parallel()
	s := open(t, strings.Replace(valley, "share: 0.6,", "share: &much 0.6,", 1)+"  # the rest\n", "admin")
	v := visit(t, s, desk, "light")
	s.put(t, strings.NewReplacer("share: 0.6,", "share: &much 0.6,", "share: 0.7,", "share: *much,").Replace(valley))
	v.goTo("/plan/beacon/mill-a")
	v.await(`(document.getElementById("f-share").value = "0.5") === "0.5"`)
	v.click(`button[value="see"]`)
	v.says("The fleet file is written in a way that can't be edited here")
	v.await(`document.getElementById("f-share").value === "0.5"`)
	v.do(chromedp.WaitVisible(chromedp.CSS("#refusal")))
}
