package backup

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/database"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/vault"
)

// With the private database of a coordinator, while it runs: what comes back in
// an empty folder is what was there, under a hush, sealed with the same key.
func TestAPrivateDatabaseComesBack(t *testing.T) {
	from := Place{Dir: t.TempDir()}
	passable(t, from.Dir)
	key, err := vault.Load(from.Dir)
	if err != nil {
		t.Fatal(err)
	}
	sealed := key.Seal("trial", []byte("a secret"))
	server, err := database.Start(t.Context(), database.Options{Dir: filepath.Join(from.Dir, "database")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = server.Stop() })
	s, err := store.Open(t.Context(), server.URL(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s.Close()
	query(t, server.URL(), "insert into leadership (epoch, holder, since) values (7, 'trial', now()) returning epoch::text")

	saved := filepath.Join(t.TempDir(), "saved")
	if _, err := Save(t.Context(), from, saved, "trial"); err != nil {
		t.Fatal(err)
	}
	to := Place{Dir: filepath.Join(t.TempDir(), "new")}
	passable(t, filepath.Dir(to.Dir))
	if _, err := Restore(t.Context(), saved, to); err != nil {
		t.Fatal(err)
	}
	if key, err = vault.Load(to.Dir); err != nil {
		t.Fatal(err)
	}
	if secret, err := key.Open("trial", sealed); err != nil || string(secret) != "a secret" {
		t.Errorf("what was sealed opens as %q, %v", secret, err)
	}
	err = to.withDatabase(t.Context(), func(url string) error {
		if reason := query(t, url, "select reason from hushes where released_at is null and epoch = 7"); !strings.Contains(reason, "restored from the backup of") {
			t.Errorf("the hush says %q", reason)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(t.Context(), saved, to); err == nil || !strings.Contains(err.Error(), "there already") {
		t.Errorf("a backup was brought back over a coordinator's folder: %v", err)
	}
}

// passable lets the user that Postgres runs as get to a folder of the test's.
func passable(t *testing.T, folder string) {
	t.Helper()
	for _, folder := range []string{folder, filepath.Dir(folder)} {
		if err := os.Chmod(folder, 0o711); err != nil { //nolint:gosec // entered, not read
			t.Fatal(err)
		}
	}
}

func query(t *testing.T, url, text string) (answer string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	if err := conn.QueryRow(t.Context(), text).Scan(&answer); err != nil {
		t.Fatal(err)
	}
	return answer
}

// What is no backup, or not whole, changes nothing.
func TestWhatIsNoBackupIsRefused(t *testing.T) {
	for name, about := range map[string]string{
		"nothing":        "",
		"something else": "[1, 2]",
		"a newer form":   `{"format": 2, "program": "v9"}`,
	} {
		t.Run(name, func(t *testing.T) {
			from, to := t.TempDir(), filepath.Join(t.TempDir(), "new")
			if about != "" {
				if err := os.WriteFile(filepath.Join(from, aboutFile), []byte(about), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			if _, err := Restore(t.Context(), from, Place{Dir: to}); err == nil || !strings.Contains(err.Error(), "backup") {
				t.Errorf("%v", err)
			}
			if _, err := os.Stat(to); err == nil {
				t.Error("a folder was made")
			}
		})
	}
}

func TestNoBackupOfNothing(t *testing.T) {
	out := filepath.Join(t.TempDir(), "saved")
	if _, err := Save(t.Context(), Place{Dir: t.TempDir()}, out, "trial"); err == nil || !strings.Contains(err.Error(), "no coordinator's folder") {
		t.Errorf("%v", err)
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("a backup was made")
	}
}
