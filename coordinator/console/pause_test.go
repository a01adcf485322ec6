package console_test

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"
)

// TestPauses reads the calendar as a viewer and with the arrow keys as an admin,
// adds a pause on the clock of a place, makes it come again, and takes it out.
func TestPauses(t *testing.T) {
	t.Parallel()
	viewer := open(t, valley, "viewer")
	v := visit(t, viewer, phone, "light")
	v.goTo("/plan/calendar?view=week&zone=Europe/Paris")
	v.says("Week of 30 November 2026")
	v.says("09:00–11:00 08:00–10:00 UTC")
	if value[bool](v, `document.querySelector("a[href^='/plan/pause']") !== null`) {
		t.Error("a viewer is led to the form")
	}

	s := open(t, noted, "admin")
	v = visit(t, s, desk, "light")
	v.goTo("/plan/calendar?zone=Europe/Paris")
	v.says("December 2026")
	v.tabTo("a.daylink")
	for range 3 {
		v.press(kb.ArrowDown)
	}
	v.press(kb.ArrowRight)
	v.await(`document.activeElement.getAttribute("aria-label") === "Tuesday 22 December: add a pause"`)
	v.press(kb.Enter)
	v.await(`document.getElementById("from") !== null && document.getElementById("from").value === "2026-12-22T09:00" && document.getElementById("clock").value === "Europe/Paris"`)
	v.await(`(document.getElementById("scope").value = "site:mill", document.getElementById("to").value = "2026-12-22T08:00", document.getElementById("reason").value = "paint: the mast") !== ""`)
	v.click(`button[value="see"]`)
	v.says("The pause ends (to 2026-12-22T07:00:00Z) before it begins (from 2026-12-22T08:00:00Z)")
	v.await(`(document.getElementById("to").value = "2026-12-22T17:30") !== ""`)
	v.click(`button[value="see"]`)
	v.says("Tue 22 Dec 09:00 to Tue 22 Dec 17:30 CET; 2026-12-22 08:00:00 to 2026-12-22 16:30:00 UTC")
	v.says("pause of site mill from 2026-12-22T08:00:00Z to 2026-12-22T16:30:00Z (paint: the mast): added")
	v.await(`[...document.querySelectorAll("#difference .less")].length === 2`) // in the day of the pause
	v.axe()
	v.picture("tried pause-desk-light")
	v.click(`button[value="apply"]`)
	v.says("December 2026")
	once := strings.Replace(noted, "reason: class hours}\n", "reason: class hours}\n  - {scope: {site: mill}, from: 2026-12-22T08:00:00Z, to: 2026-12-22T16:30:00Z, reason: \"paint: the mast\"}\n", 1)
	if got := s.yaml(); got != once {
		t.Fatalf("the file is now\n%s", got)
	}

	// It comes again on the first Sunday of each month.
	v.goTo("/plan/pause?key=pause.1")
	v.await(`document.getElementById("from").value === "2026-12-22T09:00" && document.getElementById("clock").value === "Europe/Paris"`)
	v.click(`input[value="again"]`)
	v.await(`(document.getElementById("every").value = "rule", document.getElementById("rule").value = "FREQ=MONTHLY;BYDAY=1SU", document.getElementById("start").value = "2027-01-03T02:30", document.getElementById("lasts").value = "two hours") !== ""`)
	v.click(`button[value="see"]`)
	v.says("Duration must be a duration such as 6h or 1h30m")
	v.await(`(document.getElementById("lasts").value = "2h") !== ""`)
	v.click(`button[value="see"]`)
	v.says("Sun 3 Jan 02:30 to Sun 3 Jan 04:30 CET; 2027-01-03 01:30:00 to 2027-01-03 03:30:00 UTC")
	s.put(t, strings.Replace(once, "share: 0.7", "share: 0.65", 1)) // Kim was first, elsewhere
	v.click(`button[value="apply"]`)
	v.says("Somebody else was first")
	v.click(`button[value="apply"]`)
	v.says("January 2027")
	v.says("02:30–04:30")
	if got := s.yaml(); !strings.Contains(got, "  - {scope: {site: mill}, rrule: \"FREQ=MONTHLY;BYDAY=1SU\", start: 2027-01-03T02:30:00, duration: 2h, reason: \"paint: the mast\"}\n") || !strings.Contains(got, "share: 0.65") {
		t.Errorf("the file is now\n%s", got)
	}

	// Then the site is dark for a week, and at last it is not.
	v.goTo("/plan/pause?key=pause.1")
	v.click(`input[value="dark"]`)
	v.await(`(document.getElementById("from").value = "2027-03-27T12:00", document.getElementById("to").value = "2027-04-03T12:00") !== ""`)
	v.click(`button[value="see"]`)
	v.says("Sat 27 Mar 12:00 to Sat 3 Apr 12:00 CEST; 2027-03-27 11:00:00 to 2027-04-03 10:00:00 UTC") // over the change of clocks
	v.click(`button[value="apply"]`)
	v.says("March 2027")
	v.says("Site mill, switched off: paint: the mast")
	v.goTo("/plan/pause?key=dark.0")
	v.click(`button[value="remove"]`)
	v.says("pause of site mill")
	v.click(`button[value="apply"]`)
	v.await(`location.search.includes("applied=1")`)
	if got := s.yaml(); got != strings.Replace(noted, "share: 0.7", "share: 0.65", 1) {
		t.Errorf("the file is not as it was:\n%s", got)
	}
}
