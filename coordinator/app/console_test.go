package app_test

import (
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"lamplighter/coordinator/app"
)

// browse sends a form, or asks for a page where there is none, and follows where
// it leads.
func browse(t *testing.T, a *app.App, path string, form url.Values) (int, string) {
	t.Helper()
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	method, body := http.MethodGet, ""
	if form != nil {
		method, body = http.MethodPost, form.Encode()
	}
	request, err := http.NewRequestWithContext(t.Context(), method, "http://"+a.Addr().HTTP+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	request.Header.Set("Accept", "text/html")
	answer, err := client.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close() //nolint:errcheck // it was read
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer.StatusCode, string(text)
}

// TestConsole goes through the first hour of a real coordinator by its pages:
// empty, a wrong file, a right one, two people at once, a hush and its release.
func TestConsole(t *testing.T) {
	a := start(t, options(t))
	expect := func(what string, status, want int, page string, words ...string) {
		t.Helper()
		if status != want {
			t.Errorf("%s: status %d, want %d:\n%s", what, status, want, page)
		}
		for _, w := range words {
			if !strings.Contains(page, w) {
				t.Errorf("%s does not say %q:\n%s", what, w, page)
			}
		}
	}
	status, page := browse(t, a, "/", nil)
	expect("an empty installation", status, http.StatusOK, page, "First hour", "6 steps to go")

	status, page = browse(t, a, "/plan/edit", url.Values{"based_on": {"0"}, "yaml": {strings.Replace(smallFleet, "0.1", "1.5", 1)}})
	expect("a wrong file", status, http.StatusBadRequest, page, "share: 1.5", "Line 4", "share must be")

	status, page = browse(t, a, "/plan/edit", url.Values{"based_on": {"0"}, "yaml": {smallFleet}})
	expect("a right file", status, http.StatusOK, page, "Put it in force", "hilltop-hf", "72 of 72")

	status, page = browse(t, a, "/plan/apply", url.Values{"based_on": {"0"}, "yaml": {smallFleet}})
	expect("put in force", status, http.StatusOK, page, `name="based_on" value="1"`)

	status, page = browse(t, a, "/plan/apply", url.Values{"based_on": {"0"}, "yaml": {"# mine\n" + smallFleet}})
	expect("somebody else's first file", status, http.StatusConflict, page, "# mine", "Somebody else was first", "In force, version 1")

	status, page = browse(t, a, "/", nil)
	expect("now", status, http.StatusOK, page, "hilltop-hf", "never heard", "1 beacon needs")

	eventually(t, "a plan is shown", func() bool { _, page := browse(t, a, "/plan", nil); return strings.Contains(page, "72 of 72 wanted") })

	status, page = browse(t, a, "/hush", url.Values{"scope": {"site:hilltop"}, "reason": {"mast work"}})
	expect("a hush", status, http.StatusOK, page, "0 of 1", "it holds no lease", "By operator on the coordinator", "no lock-out")

	status, page = browse(t, a, "/release", url.Values{"scope": {"site:hilltop"}, "reason": {""}})
	expect("a release without a reason", status, http.StatusBadRequest, page, "Say why, for those who will ask")

	status, page = browse(t, a, "/release", url.Values{"scope": {"site:hilltop"}, "reason": {"done"}})
	expect("a release", status, http.StatusOK, page, "The hush is over")

	for _, path := range []string{"/timeline", "/beacon/hilltop-hf", "/beacon/hilltop-hf/heard", "/where", "/why?beacon=hilltop-hf", "/club", "/start", "/start/agent/hilltop-hf", "/enrol/hilltop-hf", "/timeline/slots?from=1&to=2", "/alerts?all=1", "/silence", "/report", "/report/file?form=html", "/trail?person=operator", "/trail/check", "/people", "/plan/fleet", "/plan/network", "/plan/site/hilltop", "/plan/beacon/hilltop-hf", "/plan/calendar", "/plan/pause", "/heard", "/alerts/test", "/who?at=2026-11-24T09:15&freq=7040.1kHz"} {
		status, page = browse(t, a, path, nil)
		expect(path, status, http.StatusOK, page)
	}

	status, page = browse(t, a, "/public", nil)
	expect("a page for everybody that nobody wanted", status, http.StatusNotFound, page)
	status, page = browse(t, a, "/plan/apply", url.Values{"based_on": {"1"}, "yaml": {smallFleet + "public: {page: true}\n"}})
	expect("wanting one", status, http.StatusOK, page)
	status, page = browse(t, a, "/public", nil)
	expect("a page for everybody", status, http.StatusOK, page, "IN87", "silent", "Q0TRN")
	if strings.Contains(page, "IN87OA") || strings.Contains(page, "never heard") {
		t.Errorf("everybody is told too much:\n%s", page)
	}
}

// TestConsoleForms brings a real coordinator from nothing to a plan with a pause
// by forms alone.
func TestConsoleForms(t *testing.T) {
	a := start(t, options(t))
	for _, step := range []struct {
		path string
		form url.Values
		says string
	}{
		{"/plan/network", url.Values{"based_on": {"0"}, "name": {"Tern Valley"}}, "There is no site yet"},
		{"/plan/site", url.Values{"based_on": {"1"}, "name": {"hilltop"}, "locator": {"IN87oa"}, "time_zone": {"Europe/Paris"}}, "No beacon stands here yet"},
		{"/plan/beacon", url.Values{
			"based_on": {"2"}, "name": {"hilltop-hf"}, "callsign": {"Q0TRN"}, "site": {"hilltop"}, "control": {"remote"}, "power_dbm": {"23"},
			"licence.max_power_dbm": {"30"}, "share": {"0.1"}, "uncertainty_ppm": {"0.05"}, "bands.0.name": {"40m"},
		}, "hilltop-hf"},
		{"/plan/pause", url.Values{
			"based_on": {"3"}, "kind": {"again"}, "scope": {"site:hilltop"}, "start": {"2026-01-01T00:00"}, "lasts": {"12h"}, "every": {"DAILY"}, "clock": {"Etc/UTC"}, "reason": {"rest"},
		}, "00:00–12:00"},
	} {
		step.form.Set("do", "see")
		if status, page := browse(t, a, step.path, step.form); status != http.StatusOK || !strings.Contains(page, "Put it in force") {
			t.Fatalf("%s tried: status %d:\n%s", step.path, status, page)
		}
		step.form.Set("do", "apply")
		if status, page := browse(t, a, step.path, step.form); status != http.StatusOK || !strings.Contains(page, step.says) {
			t.Fatalf("%s: status %d, does not say %q:\n%s", step.path, status, step.says, page)
		}
	}
	// Half of the 720 slots of a day, a tenth of which is wanted.
	eventually(t, "a plan is shown", func() bool {
		_, page := browse(t, a, "/plan", nil)
		return strings.Contains(page, "36 of 36 wanted") || strings.Contains(page, "35 of 35 wanted")
	})
	if status, page := browse(t, a, "/plan/beacon", url.Values{"do": {"apply"}, "based_on": {"3"}, "name": {"hilltop-hf"}}); status != http.StatusBadRequest || !strings.Contains(page, "is taken by another beacon") {
		t.Errorf("a second beacon of a name: status %d:\n%s", status, page)
	}
}
