package console_test

import (
	"compress/gzip"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"
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
