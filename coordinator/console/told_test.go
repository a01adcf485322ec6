package console_test

import (
	"strings"
	"testing"
)

// TestWhoIsTold changes who hears of alerts, from which figures on, and who gets
// the weekly report, without YAML: what is wrong is said at the field, what it
// would change is shown before it counts, nobody's airtime is touched, and the
// file stays as it was written but for that.
func TestWhoIsTold(t *testing.T) {
	t.Parallel()
	s := open(t, noted, "admin")
	v := visit(t, s, phone, "light")
	fill := func(id, with string) {
		t.Helper()
		v.await(`(document.getElementById("` + id + `").value = "` + with + `") !== undefined`)
	}
	v.goTo("/alerts")
	v.click(`a[href="/plan/fleet#told"]`)
	v.says("warnings and safety, at mill, from 08:00 to 22:00; safety only, if nobody has taken it on after 15 min")

	v.click(`a[href="/plan/recipient"]`)
	v.says("Who else hears of alerts")
	fill("f-name", "warden")
	fill("f-mail", "warden@example.org")
	fill("f-service", "chat")
	fill("f-routes-0-severity", "warning")
	fill("f-routes-0-sites", "harbor")
	fill("f-routes-0-hours", "8 to 22")
	v.click(`button[value="see"]`)
	v.says("A recipient is reached in exactly one way")
	v.says(`There is no site "harbor" in this file; did you mean harbour?`)
	v.says("must be such as 08:00-22:00")
	v.await(`document.getElementById("f-routes-0-hours").getAttribute("aria-invalid") === "true" && document.getElementById("f-routes-0-sites").getAttribute("aria-invalid") === "true"`)
	v.axe()
	v.picture("wrong recipient-phone-light")
	fill("f-service", "")
	fill("f-routes-0-sites", "harbour")
	fill("f-routes-0-hours", "08:00-22:00")
	v.click(`button[value="see"]`)
	v.says("recipient warden: added")
	v.says("Nobody's airtime changes")
	v.axe()
	if s.yaml() != noted {
		t.Error("it counts already")
	}
	v.click(`button[value="apply"]`)
	v.says("Version 2 is in force")
	kim := `routes: [{severity: warning, sites: [mill], hours: "08:00-22:00"}, {severity: safety, after_minutes: 15}]}` + "\n"
	want := strings.Replace(noted, kim, kim+`    - {name: warden, mail: warden@example.org, routes: [{severity: warning, sites: [harbour], hours: "08:00-22:00"}]}`+"\n", 1)
	if got := s.yaml(); plainText(got) != plainText(want) {
		t.Fatalf("the file is now\n%s\nwant\n%s", got, want)
	}

	v.goTo("/plan/limits")
	fill("f-supply_low_volts", "eleven")
	v.click(`button[value="see"]`)
	v.await(`document.getElementById("f-supply_low_volts").getAttribute("aria-invalid") === "true"`)
	fill("f-supply_low_volts", "11.5")
	v.click(`button[value="see"]`)
	v.says("11.5")
	v.click(`button[value="apply"]`)
	v.says("Version 3 is in force")
	if got := s.yaml(); !strings.Contains(got, "limits: {supply_low_volts: 11.5}") && !strings.Contains(got, "limits:\n    supply_low_volts: 11.5") {
		t.Errorf("the file is now\n%s", got)
	}
	v.goTo("/plan/limits") // and back: nothing of it stays
	fill("f-supply_low_volts", "")
	v.click(`button[value="see"]`)
	v.click(`button[value="apply"]`)
	v.says("Version 4 is in force")
	if got := s.yaml(); plainText(got) != plainText(want) {
		t.Errorf("the file is now\n%s\nwant\n%s", got, want)
	}

	v.goTo("/plan/reports")
	fill("f-reports-2-mail", "no address")
	v.click(`button[value="see"]`)
	v.says(`must be an address such as secretary@example.org, not "no address"`)
	v.await(`document.getElementById("f-reports-2-mail").getAttribute("aria-invalid") === "true"`)
	fill("f-reports-2-mail", "paper@example.org")
	v.click(`button[value="see"]`)
	v.says("report of the whole network to paper@example.org: added")
	// Kim was first: another gets it too.
	theirs := strings.Replace(want, "{mail: secretary@example.org}", "{mail: chair@example.org}", 1)
	s.put(t, theirs)
	v.click(`button[value="apply"]`)
	v.says("Somebody else was first")
	v.says("You both changed the following")
	v.await(`document.getElementById("f-reports-2-mail").value === "paper@example.org"`)
	fill("f-reports-0-mail", "chair@example.org")
	v.click(`button[value="see"]`)
	v.await(`document.getElementById("theirs") === null && document.querySelector('button[value="apply"]') !== null`)
	v.click(`button[value="apply"]`)
	v.says("Version 6 is in force")
	if got := s.yaml(); plainText(got) != plainText(strings.Replace(theirs, "site: mill}]", "site: mill}, {mail: paper@example.org}]", 1)) {
		t.Errorf("the file is now\n%s", got)
	}

	v.goTo("/plan/recipient/warden")
	v.click(`button[value="remove"]`)
	v.says("They hear of no alert any more")
	v.click(`button[value="apply"]`)
	v.says("Version 7 is in force")
	if strings.Contains(s.yaml(), "warden") {
		t.Error("the recipient is still there")
	}
}

// plainText is a fleet file without the quotes that a word may have or not.
func plainText(yaml string) string { return strings.ReplaceAll(yaml, `"`, "") }
