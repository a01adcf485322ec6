package console_test

import (
	"compress/gzip"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// get asks for a page as a browser does, and gives it with its size on the way.
func get(t testing.TB, address string) (body string, onTheWay int) {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, address, nil)
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Accept", "text/html")
	request.Header.Set("Accept-Encoding", "gzip")
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	packed, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	if answer.Header.Get("Content-Encoding") != "gzip" {
		t.Fatalf("%s is not compressed", address)
	}
	unpacked, err := gzip.NewReader(strings.NewReader(string(packed)))
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(unpacked)
	if err != nil {
		t.Fatal(err)
	}
	return string(text), len(packed)
}

// TestFirstPageIsSmall holds the first page, with all that it loads, to a hundred
// kilobytes with two hundred beacons.
func TestFirstPageIsSmall(t *testing.T) {
	s := open(t, crowd(200), "admin")
	page, size := get(t, s.url+"/")
	if n := strings.Count(page, `class="lamp `); n != 200 {
		t.Fatalf("the page shows %d beacons", n)
	}
	for _, asset := range regexp.MustCompile(`/assets/[^"]+`).FindAllString(page, -1) {
		_, more := get(t, s.url+asset)
		size += more
	}
	t.Logf("the first page with 200 beacons: %d bytes", size)
	if size > 100_000 {
		t.Errorf("the first page with 200 beacons is %d bytes", size)
	}
}

// TestForeignPages are kept from acting in a person's name, and from embedding
// ours.
func TestForeignPages(t *testing.T) {
	s := open(t, valley, "admin")
	request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, s.url+"/hush", strings.NewReader("reason=prank"))
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	request.Header.Set("Sec-Fetch-Site", "cross-site")
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusForbidden || len(s.hushes) != 0 {
		t.Errorf("a foreign page's hush: status %d, %d hushes", answer.StatusCode, len(s.hushes))
	}
	if policy := answer.Header.Get("Content-Security-Policy"); !strings.Contains(policy, "default-src 'none'") || !strings.Contains(policy, "frame-ancestors 'none'") {
		t.Errorf("the policy is %q", policy)
	}
}

// TestOnlyWhatTheyMay is offered to an operator of one site: to hush it, to silence
// its alerts and to release its hushes, and nothing beyond it.
func TestOnlyWhatTheyMay(t *testing.T) {
	s := open(t, valley, "operator")
	s.hushes = []*apiv1.HushInForce{
		{Hush: 1, Scope: &apiv1.HushedScope{Beacon: "mill-b"}, Reason: "mast work", GivenBy: "ada"},
		{Hush: 2, Scope: &apiv1.HushedScope{Band: "40m"}, Reason: "complaint", GivenBy: "ada"},
	}
	values := func(page, kind string) (all []string) {
		for _, m := range regexp.MustCompile(kind+`[^>]* value="([a-z0-9: -]*)"`).FindAllStringSubmatch(page, -1) {
			all = append(all, m[1])
		}
		return all
	}
	for _, c := range []struct {
		sites []string
		path  string
		kind  string
		want  string
	}{
		{[]string{"mill"}, "/hush", "<option", "site:mill beacon:mill-a beacon:mill-b"},
		{[]string{"mill"}, "/silence", "<option", "site:mill beacon:mill-a beacon:mill-b"},
		{[]string{"mill"}, "/release", `type="radio"[^>]*`, "beacon:mill-b"},
		{[]string{"harbour"}, "/hush", "<option", "site:harbour beacon:harbour-a"},
		{[]string{"harbour"}, "/release", `type="radio"[^>]*`, ""},
		{nil, "/release", `type="radio"[^>]*`, "beacon:mill-b band:40m"},
	} {
		s.access.mu.Lock()
		s.access.sites = c.sites
		s.access.mu.Unlock()
		page, _ := get(t, s.url+c.path)
		got := slices.DeleteFunc(values(page, c.kind), func(v string) bool { return !strings.Contains(v, ":") })
		if strings.Join(got, " ") != c.want {
			t.Errorf("an operator of %v is offered at %s: %v, want %s", c.sites, c.path, got, c.want)
		}
	}
	s.access.mu.Lock()
	s.access.sites = []string{"mill"}
	s.access.mu.Unlock()
	page, _ := get(t, s.url+"/")
	if !strings.Contains(page, `href="/hush?scope=site:mill"`) || strings.Contains(page, `href="/hush?scope=site:harbour"`) {
		t.Error("the first page offers to hush what they may not, or not what they may")
	}
}
