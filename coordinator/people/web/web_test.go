package web_test

import (
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/people"
	"lamplighter/coordinator/people/accounts"
	"lamplighter/coordinator/people/caller"
	"lamplighter/coordinator/people/trail"
	"lamplighter/coordinator/people/web"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
)

// site is a host with the forms and one page that says who looks at it.
type site struct {
	*httptest.Server
	accounts *accounts.Accounts
	store    *store.Store
	given    string // ada's first password
}

func serve(t *testing.T, options web.Options) *site {
	t.Helper()
	s := &site{store: storetest.New(t)}
	var err error
	s.accounts, err = accounts.New(accounts.Options{Store: s.store, Log: slog.New(slog.DiscardHandler), Metrics: prometheus.NewRegistry()})
	if err != nil {
		t.Fatal(err)
	}
	s.given, err = s.accounts.Give(t.Context(), store.Account{Name: "ada", Role: people.Operator, Sites: []string{"mill"}})
	if err != nil {
		t.Fatal(err)
	}
	options.Accounts, options.Log = s.accounts, slog.New(slog.DiscardHandler)
	sessions := web.New(options)
	mux := http.NewServeMux()
	for _, r := range sessions.Routes() {
		mux.Handle(r.Pattern, r.Handler)
	}
	who := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c := caller.From(r.Context())
		fmt.Fprintf(w, "%s %s %s", c.Name, c.Role, c.Via) //nolint:errcheck // to a test
	})
	mux.Handle("/{$}", web.Protect(sessions.RequireSession(who)))
	mux.Handle("/admin", web.Protect(sessions.Require(people.ManagePeople, who)))
	s.Server = httptest.NewTLSServer(mux)
	t.Cleanup(s.Close)
	return s
}

// browser keeps cookies and follows no redirections.
func (s *site) browser(t *testing.T) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &http.Client{Jar: jar, Transport: s.Client().Transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

type answer struct {
	status   int
	location string
	body     string
	header   http.Header
	cookies  []*http.Cookie
}

func ask(t *testing.T, client *http.Client, method, address string, form url.Values, header ...string) answer {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), method, address, strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	if form != nil {
		request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	request.Header.Set("Accept", "text/html")
	for i := 0; i < len(header); i += 2 {
		request.Header.Set(header[i], header[i+1])
	}
	response, err := client.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close() //nolint:errcheck // it was read
	body, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer{response.StatusCode, response.Header.Get("Location"), string(body), response.Header, response.Cookies()}
}

const own = "five quiet owls at dusk"

func TestFromTheFirstPasswordToLogOut(t *testing.T) {
	s := serve(t, web.Options{})
	b := s.browser(t)
	if a := ask(t, b, "GET", s.URL+"/", nil); a.status != 303 || a.location != "/login?next=%2F" {
		t.Fatalf("nobody: %d to %q", a.status, a.location)
	}
	if a := ask(t, b, "GET", s.URL+"/login", nil); a.status != 200 || !strings.Contains(a.body, `autocomplete="current-password"`) {
		t.Errorf("the form: %d\n%s", a.status, a.body)
	}
	a := ask(t, b, "POST", s.URL+"/login", url.Values{"name": {"ada"}, "password": {s.given}, "next": {"/?x=1"}})
	if a.status != 303 || a.location != "/password?next=%2F%3Fx%3D1" {
		t.Fatalf("log-in: %d to %q\n%s", a.status, a.location, a.body)
	}
	c := a.cookies[0]
	if c.Name != "__Host-lamplighter" || !c.Secure || !c.HttpOnly || c.SameSite != http.SameSiteLaxMode || c.Path != "/" || c.Domain != "" || c.MaxAge != 12*3600 {
		t.Errorf("the cookie: %+v", c)
	}
	if a := ask(t, b, "GET", s.URL+"/", nil); a.status != 303 {
		t.Errorf("before a password is chosen: %d", a.status)
	}
	for problem, form := range map[string]url.Values{
		"typed in two ways": {"old": {s.given}, "new": {own}, "again": {own + "x"}},
		"needs 12":          {"old": {s.given}, "new": {"short"}, "again": {"short"}},
		"is wrong":          {"old": {"x"}, "new": {own}, "again": {own}},
		"the one that you":  {"old": {s.given}, "new": {s.given}, "again": {s.given}},
	} {
		if a := ask(t, b, "POST", s.URL+"/password", form); a.status < 400 || !strings.Contains(a.body, problem) {
			t.Errorf("%s: %d\n%s", problem, a.status, a.body)
		}
	}
	if a := ask(t, b, "POST", s.URL+"/password", url.Values{"old": {s.given}, "new": {own}, "again": {own}, "next": {"/?x=1"}}); a.status != 303 || a.location != "/?x=1" {
		t.Fatalf("choosing: %d to %q\n%s", a.status, a.location, a.body)
	}
	if a := ask(t, b, "GET", s.URL+"/", nil); a.body != "ada operator session" {
		t.Errorf("logged in: %d %q", a.status, a.body)
	}
	if a := ask(t, b, "GET", s.URL+"/admin", nil); a.status != 403 {
		t.Errorf("an admin's page: %d", a.status)
	}
	if a := ask(t, s.browser(t), "POST", s.URL+"/login", url.Values{"name": {"ada"}, "password": {s.given}}); a.status != 401 {
		t.Errorf("the first password again: %d", a.status)
	}
	stolen := c.Value
	if a := ask(t, b, "POST", s.URL+"/logout", url.Values{}); a.status != 303 || a.cookies[0].MaxAge >= 0 {
		t.Errorf("log-out: %d %+v", a.status, a.cookies)
	}
	if a := ask(t, s.browser(t), "GET", s.URL+"/", nil, "Cookie", "__Host-lamplighter="+stolen); a.status != 303 {
		t.Errorf("the cookie after log-out: %d", a.status)
	}
}

// A log-in makes another session, so that one that somebody else has put into
// the browser is of no use to them; and ends the one before.
func TestLogInChangesTheSession(t *testing.T) {
	s := serve(t, web.Options{})
	b := s.browser(t)
	form := url.Values{"name": {"ada"}, "password": {s.given}}
	first := ask(t, b, "POST", s.URL+"/login", form).cookies[0].Value
	second := ask(t, b, "POST", s.URL+"/login", form).cookies[0].Value
	if first == second {
		t.Error("the secret stays")
	}
	if _, err := s.accounts.BySession(t.Context(), first); !accounts.Unknown(err) {
		t.Errorf("the first session goes on: %v", err)
	}
	if _, err := s.accounts.BySession(t.Context(), second); err != nil {
		t.Errorf("the second does not: %v", err)
	}
}

func TestForeignPagesCanDoNothing(t *testing.T) {
	s := serve(t, web.Options{})
	form := url.Values{"name": {"ada"}, "password": {s.given}}
	for name, header := range map[string][]string{
		"another site":        {"Sec-Fetch-Site", "cross-site"},
		"another host nearby": {"Sec-Fetch-Site", "same-site"},
		"an older browser":    {"Origin", "https://elsewhere.example"},
	} {
		for _, path := range []string{"/login", "/logout", "/password"} {
			if a := ask(t, s.browser(t), "POST", s.URL+path, form, header...); a.status != 403 || len(a.cookies) > 0 {
				t.Errorf("%s to %s: %d", name, path, a.status)
			}
		}
	}
	a := ask(t, s.browser(t), "GET", s.URL+"/login", nil)
	for header, want := range map[string]string{
		"Content-Security-Policy":   "default-src 'none'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
		"X-Content-Type-Options":    "nosniff",
		"Referrer-Policy":           "same-origin",
		"Strict-Transport-Security": "max-age=31536000",
		"Cache-Control":             "no-store",
	} {
		if got := a.header.Get(header); got != want {
			t.Errorf("%s: %q", header, got)
		}
	}
	if strings.Contains(a.body, "<script") || strings.Contains(a.body, "style=") {
		t.Errorf("script or style in the page:\n%s", a.body)
	}
}

func TestNobodyIsSentElsewhere(t *testing.T) {
	s := serve(t, web.Options{})
	for next, want := range map[string]string{
		"/beacons?x=1": "%2Fbeacons%3Fx%3D1", "https://elsewhere.example": "%2F", "//elsewhere.example": "%2F",
		"/\\elsewhere.example": "%2F", "javascript:alert(1)": "%2F", "beacons": "%2F", "": "%2F", "/a\nb": "%2F",
	} {
		a := ask(t, s.browser(t), "POST", s.URL+"/login", url.Values{"name": {"ada"}, "password": {s.given}, "next": {next}})
		if a.status != 303 || a.location != "/password?next="+want {
			t.Errorf("%q: %d to %q", next, a.status, a.location)
		}
	}
}

func TestFormsAreBounded(t *testing.T) {
	s := serve(t, web.Options{})
	for name, form := range map[string]url.Values{
		"a name too long":     {"name": {strings.Repeat("a", 65)}, "password": {s.given}},
		"a password too long": {"name": {"ada"}, "password": {strings.Repeat("a", 513)}},
		"a form of 20 KiB":    {"name": {"ada"}, "password": {s.given}, "next": {strings.Repeat("a", 20<<10)}},
		"a name with markup":  {"name": {"<b>"}, "password": {"x"}},
	} {
		a := ask(t, s.browser(t), "POST", s.URL+"/login", form)
		if a.status < 400 || len(a.cookies) > 0 || strings.Contains(a.body, "<b>") {
			t.Errorf("%s: %d\n%s", name, a.status, a.body)
		}
	}
}

// Ten wrong passwords are free, the eleventh makes the name wait; the right one
// waits too.
func TestGuessingIsSlowed(t *testing.T) {
	s := serve(t, web.Options{})
	statuses := map[int]int{}
	for range 14 {
		statuses[ask(t, s.browser(t), "POST", s.URL+"/login", url.Values{"name": {"ada"}, "password": {"wrong"}}).status]++
	}
	// Each second that this takes lets in one more.
	if statuses[401] < 11 || statuses[401]+statuses[429] != 14 {
		t.Errorf("%v", statuses)
	}
}

func TestATokenOpensAPage(t *testing.T) {
	s := serve(t, web.Options{})
	secret, _, err := s.accounts.MakeToken(t.Context(), people.Person{Name: "ada", Role: people.Operator}, "metrics", people.Viewer, 1e12)
	if err != nil {
		t.Fatal(err)
	}
	if a := ask(t, s.browser(t), "GET", s.URL+"/admin", nil, "Authorization", "Bearer "+secret, "Accept", "*/*"); a.status != 401 {
		t.Errorf("before ada has chosen a password: %d", a.status)
	}
	if err := s.accounts.Choose(t.Context(), "ada", s.given, own, "", ""); err != nil {
		t.Fatal(err)
	}
	if a := ask(t, s.browser(t), "GET", s.URL+"/", nil, "Authorization", "Bearer "+secret); a.body != "ada viewer token" {
		t.Errorf("%d %q", a.status, a.body)
	}
	if a := ask(t, s.browser(t), "GET", s.URL+"/", nil, "Authorization", "Bearer "+secret+"x", "Accept", "*/*"); a.status != 401 {
		t.Errorf("another token: %d", a.status)
	}
}

func TestOnlyThisComputerIsLetInOpenly(t *testing.T) {
	s := serve(t, web.Options{Open: "somebody here"})
	if a := ask(t, s.browser(t), "GET", s.URL+"/", nil); a.body != "somebody here admin loopback" {
		t.Errorf("from here: %d %q", a.status, a.body)
	}
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, s.URL+"/", nil)
	if err != nil {
		t.Fatal(err)
	}
	request.Host = "rebound.example" // a stranger's name that points here
	response, err := s.Client().Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close() //nolint:errcheck // not read
	if response.StatusCode != http.StatusUnauthorized {
		t.Errorf("by a stranger's name: %d", response.StatusCode)
	}
}

// A person sees in which browsers they are logged in, and logs the others out;
// somebody else's go on. What they do with their account stands in the trail,
// with what was typed wrongly, and without any password.
func TestPeopleSeeAndEndTheirOwnSessions(t *testing.T) {
	s := serve(t, web.Options{})
	given, err := s.accounts.Give(t.Context(), store.Account{Name: "bea", Role: people.Viewer})
	if err != nil {
		t.Fatal(err)
	}
	enter := func(name, password string) *http.Client {
		t.Helper()
		b := s.browser(t)
		if a := ask(t, b, "POST", s.URL+"/login", url.Values{"name": {name}, "password": {password}}); a.status != 303 {
			t.Fatalf("%s: %d\n%s", name, a.status, a.body)
		}
		return b
	}
	first := enter("ada", s.given)
	if a := ask(t, first, "POST", s.URL+"/password", url.Values{"old": {s.given}, "new": {own}, "again": {own}}); a.status != 303 {
		t.Fatal(a.body)
	}
	second, third, bea := enter("ada", own), enter("ada", own), enter("bea", given)
	if a := ask(t, s.browser(t), "POST", s.URL+"/login", url.Values{"name": {"ada"}, "password": {"a wrong guess of mine"}}); a.status != 401 {
		t.Errorf("a wrong password: %d", a.status)
	}
	a := ask(t, second, "GET", s.URL+"/sessions", nil)
	if a.status != 200 || strings.Count(a.body, "127.0.0.1") != 3 || strings.Count(a.body, "this browser") != 1 || !strings.Contains(a.body, "Log out the others") {
		t.Errorf("their sessions: %d\n%s", a.status, a.body)
	}
	if a := ask(t, s.browser(t), "POST", s.URL+"/sessions", url.Values{}); a.status != 401 {
		t.Errorf("nobody logs others out: %d", a.status)
	}
	if a := ask(t, second, "POST", s.URL+"/sessions", url.Values{}, "Sec-Fetch-Site", "cross-site"); a.status != 403 {
		t.Errorf("another site's page logs others out: %d", a.status)
	}
	if a := ask(t, second, "POST", s.URL+"/sessions", url.Values{}); a.status != 303 || a.location != "/sessions" {
		t.Errorf("log out the others: %d\n%s", a.status, a.body)
	}
	for name, c := range map[string]struct {
		browser *http.Client
		status  int
	}{"the first": {first, 303}, "the third": {third, 303}, "their own": {second, 200}} {
		if a := ask(t, c.browser, "GET", s.URL+"/sessions", nil); a.status != c.status {
			t.Errorf("%s afterwards: %d, want %d", name, a.status, c.status)
		}
	}
	if a := ask(t, bea, "GET", s.URL+"/sessions", nil); a.status != 200 || strings.Contains(a.body, "Log out the others") {
		t.Errorf("somebody else's: %d\n%s", a.status, a.body)
	}
	if a := ask(t, second, "POST", s.URL+"/logout", url.Values{}); a.status != 303 {
		t.Error(a.status)
	}
	var lines []string
	err = s.store.WalkTrail(t.Context(), func(e trail.Entry) bool {
		lines = append(lines, fmt.Sprintf("%s %s %s %s %s", e.Person, e.Action, e.Outcome, e.From, e.Details))
		return false
	})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		`ada log in done 127.0.0.1 {"name":"ada"}`,
		`ada choose a password done 127.0.0.1 {}`,
		`ada log in done 127.0.0.1 {"name":"ada"}`,
		`ada log in done 127.0.0.1 {"name":"ada"}`,
		`bea log in done 127.0.0.1 {"name":"bea"}`,
		` log in failed 127.0.0.1 {"name":"ada","sentence":"name or password is wrong, or the account has ended"}`,
		`ada log out other browsers done 127.0.0.1 {"ended":"2"}`,
		`ada log out done 127.0.0.1 {}`,
	}
	if diff := cmp.Diff(want, lines); diff != "" {
		t.Error(diff)
	}
}
