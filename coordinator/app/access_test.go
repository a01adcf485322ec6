package app_test

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	grpcstatus "google.golang.org/grpc/status"

	"lamplighter/coordinator/app"
	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people/accounts"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// closed starts a coordinator where people have to log in, and gives the first
// admin's password.
func closed(t *testing.T) (*app.App, string) {
	t.Helper()
	o := options(t)
	o.Open = false
	o.Fleet = &app.FleetFile{Name: "fleet.yaml", YAML: smallFleet}
	a := start(t, o)
	file := filepath.Join(o.Dir, accounts.FirstPasswordFile)
	info, err := os.Stat(file)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("%v, %v", info, err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return a, strings.TrimSpace(string(text))
}

// The first admin comes by the password in the file, chooses another, and then
// calls services and sees pages; before that nothing but the pages for everybody
// is to be had.
func TestTheFirstAdminGetsIn(t *testing.T) {
	a, password := closed(t)
	conn, ctx := dial(t, a), t.Context()
	account, fleets := apiv1.NewAccountServiceClient(conn), apiv1.NewFleetServiceClient(conn)
	if _, err := fleets.GetFleet(ctx, &apiv1.GetFleetRequest{}); grpcstatus.Code(err) != codes.Unauthenticated {
		t.Errorf("nobody: %v", err)
	}
	for path, want := range map[string]int{"/healthz": 200, "/readyz": 200, "/metrics": 401, "/login": 200, "/password": 200} {
		if path == "/readyz" {
			eventually(t, "it is ready", func() bool { code, _ := get(t, a, path); return code == 200 })
		}
		if code, _ := get(t, a, path); code != want {
			t.Errorf("nobody at %s: %d, want %d", path, code, want)
		}
	}
	login := &apiv1.LogInRequest{Name: "admin", Password: password, Purpose: "a trial"}
	answer, err := account.LogIn(ctx, login)
	if err != nil || !answer.GetPasswordDue() || answer.GetSecret() != "" {
		t.Fatalf("by the first password: %v, %v", answer, err)
	}
	const own = "five quiet owls at dusk"
	if _, err := account.ChoosePassword(ctx, &apiv1.ChoosePasswordRequest{Name: "admin", OldPassword: password, NewPassword: own}); err != nil {
		t.Fatal(err)
	}
	if _, err := account.LogIn(ctx, login); grpcstatus.Code(err) != codes.Unauthenticated {
		t.Errorf("the first password again: %v", err)
	}
	login.Password = own
	if answer, err = account.LogIn(ctx, login); err != nil {
		t.Fatal(err)
	}
	known := metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+answer.GetSecret())
	if got, err := fleets.GetFleet(known, &apiv1.GetFleetRequest{}); err != nil || got.GetYaml() != smallFleet {
		t.Errorf("the admin: %v, %v", got, err)
	}
	if code := getAs(t, a, "/metrics", answer.GetSecret()); code != 200 {
		t.Errorf("the admin at /metrics: %d", code)
	}
}

func getAs(t *testing.T, a *app.App, path, token string) int {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+a.Addr().HTTP+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+token)
	answer, err := (&http.Client{Transport: &http.Transport{DisableKeepAlives: true}}).Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close() //nolint:errcheck // not read
	return answer.StatusCode
}

// A person with a browser sees the console only after the form.
func TestTheConsoleAsksWhoSomebodyIs(t *testing.T) {
	a, password := closed(t)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	browser := &http.Client{Jar: jar, Transport: &http.Transport{DisableKeepAlives: true}}
	at := "http://" + a.Addr().HTTP
	post := func(path string, form url.Values) string {
		t.Helper()
		request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, at+path, strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		answer, err := browser.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close() //nolint:errcheck // it was read
		text, err := io.ReadAll(answer.Body)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	if _, page := get(t, a, "/"); strings.Contains(page, "hilltop-hf") {
		t.Error("nobody sees the beacons")
	}
	post("/login", url.Values{"name": {"admin"}, "password": {password}})
	page := post("/password", url.Values{"old": {password}, "new": {"five quiet owls at dusk"}, "again": {"five quiet owls at dusk"}, "next": {"/"}})
	if !strings.Contains(page, "hilltop-hf") {
		t.Errorf("the admin does not see the beacons:\n%.2000s", page)
	}
}

func TestOpenMeansThisComputerAlone(t *testing.T) {
	o := options(t)
	o.HTTP, o.Secure.On, o.Secure.Devices = "0.0.0.0:0", true, "0.0.0.0:0"
	if _, err := app.New(o); fault.Of(err) != fault.Usage || !strings.Contains(err.Error(), "--open-on-loopback") {
		t.Errorf("%v", err)
	}
}
