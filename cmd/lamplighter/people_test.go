package main

import (
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lamplighter/cmd/lamplighter/demo"
	"lamplighter/coordinator/app"
	"lamplighter/coordinator/people/accounts"
	"lamplighter/coordinator/store/storetest"
)

// closedCoordinator starts one where people have to log in, as a shell does, and
// gives the flag that names it and the file with the first admin's password.
func closedCoordinator(t *testing.T) (server, password string) {
	t.Helper()
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	folder := t.TempDir()
	a, err := app.New(app.Options{
		Dir: folder, Database: storetest.URL(t), GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", MQTT: "127.0.0.1:0",
		Fleet: &app.FleetFile{Name: "demo.yaml", YAML: demo.Fleet(0)}, Log: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.Stop)
	return "--server=" + a.Addr().GRPC, filepath.Join(folder, accounts.FirstPasswordFile)
}

func secretIn(t *testing.T, text string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// must runs a command that has to end well, and gives what it printed.
func must(t *testing.T, args ...string) string {
	t.Helper()
	got := lamplighter(t, args...)
	if got.code != 0 {
		t.Fatalf("%v: exit %d, said %q", args, got.code, got.stderr)
	}
	return strings.TrimSpace(got.stdout)
}

// The way of a club: the first admin lets an operator in, who takes duty, may
// not do what is the admin's, and all of it stands in the trail.
func TestPeopleFromTheFirstAdminOn(t *testing.T) {
	server, first := closedCoordinator(t)
	if got := lamplighter(t, "status", server); got.code != 1 || !strings.Contains(got.stderr, "lamplighter login NAME") {
		t.Errorf("nobody: exit %d, said %q", got.code, got.stderr)
	}
	must(t, "login", "admin", server, "--password-file", first, "--new-password-file", secretIn(t, "five quiet owls at dusk"))
	must(t, "status", server)
	given := must(t, "people", "add", "kim", server, "--role=operator", "--sites=hilltop", "--contact=club room")

	t.Setenv("XDG_CONFIG_HOME", t.TempDir()) // kim's own computer
	must(t, "login", "kim", server, "--password-file", secretIn(t, given), "--new-password-file", secretIn(t, "a kettle sings in june"))
	must(t, "duty", "start", "hilltop", server, "--lasts=8h")
	must(t, "duty", "confirm", "hilltop", server)
	if got := must(t, "duty", "show", server, "--output=csv"); !strings.Contains(got, "hilltop,false,,kim,club room,") {
		t.Errorf("duty:\n%s", got)
	}
	for _, args := range [][]string{{"people", "list", server}, {"audit", "list", server}, {"duty", "start", "mill", server}} {
		if got := lamplighter(t, args...); got.code != 1 || got.stdout != "" {
			t.Errorf("%v by kim: exit %d, said %q", args, got.code, got.stderr)
		}
	}
	token := must(t, "token", "create", "metrics", server)
	name := strings.Split(strings.Split(must(t, "token", "list", server, "--output=csv"), "\n")[2], ",")[0]
	must(t, "duty", "end", "hilltop", server)

	t.Setenv(tokenVariable, token) // a script
	must(t, "status", server)
	if got := lamplighter(t, "duty", "start", "hilltop", server); got.code != 1 || !strings.Contains(got.stderr, "needs the role operator") {
		t.Errorf("a viewer's token takes duty: exit %d, said %q", got.code, got.stderr)
	}
	t.Setenv(tokenVariable, "")
	must(t, "token", "revoke", name, server)
	t.Setenv(tokenVariable, token)
	if got := lamplighter(t, "status", server); got.code != 1 || !strings.Contains(got.stderr, "it has ended") {
		t.Errorf("a revoked token: exit %d, said %q", got.code, got.stderr)
	}
	t.Setenv(tokenVariable, "")

	t.Setenv("XDG_CONFIG_HOME", t.TempDir()) // the admin again, from elsewhere
	must(t, "login", "admin", server, "--password-file", secretIn(t, "five quiet owls at dusk"))
	noted := must(t, "audit", "verify", server)
	if got := must(t, "audit", "list", server, "--person=kim", "--action=duty", "--outcome=refused", "--output=csv"); strings.Count(got, "\n") != 2 || !strings.Contains(got, "DutyService/StartDuty,mill,refused") {
		t.Errorf("the trail:\n%s", got)
	}
	must(t, "people", "end", "kim", server)
	must(t, "audit", "verify", server, "--noted", noted)
	if got := lamplighter(t, "audit", "verify", server, "--noted", "1:"+strings.Repeat("00", 32)); got.code != 1 || !strings.Contains(got.stderr, "differs") {
		t.Errorf("another digest: exit %d, said %q", got.code, got.stderr)
	}
}

func TestSecretsThatOthersCanReadAreRefused(t *testing.T) {
	file := secretIn(t, "x")
	if err := os.Chmod(file, 0o640); err != nil { //nolint:gosec // that is the test
		t.Fatal(err)
	}
	if got := lamplighter(t, "login", "kim", "--password-file", file); got.code != 1 || !strings.Contains(got.stderr, "can be read by others") {
		t.Errorf("exit %d, said %q", got.code, got.stderr)
	}
}
