package signing

import (
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

func TestTheKeyIsMadeOnceAndKept(t *testing.T) {
	folder := t.TempDir()
	first, err := Load(folder)
	if err != nil {
		t.Fatal(err)
	}
	again, err := Load(folder)
	if err != nil {
		t.Fatal(err)
	}
	if first.Secret() != again.Secret() {
		t.Error("a second start made another key")
	}
	info, err := os.Stat(filepath.Join(folder, fileName))
	if err != nil {
		t.Fatal(err)
	}
	if info.Mode().Perm() != 0o600 {
		t.Errorf("mode %04o, want 0600", info.Mode().Perm())
	}
	if entries, _ := os.ReadDir(folder); len(entries) != 1 {
		t.Errorf("%d files, want the key alone", len(entries))
	}
}

func TestStartsAtTheSameMomentAgreeOnOneKey(t *testing.T) {
	folder := t.TempDir()
	secrets := make([]string, 8)
	var starts sync.WaitGroup
	for i := range secrets {
		starts.Go(func() {
			signer, err := Load(folder)
			if err != nil {
				t.Error(err)
				return
			}
			secrets[i] = signer.Secret()
		})
	}
	starts.Wait()
	for _, secret := range secrets {
		if secret != secrets[0] {
			t.Fatal("two keys were made")
		}
	}
}

func TestWhatIsNoKeyIsRefusedWithASentence(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		mode os.FileMode
		want string
	}{
		"garbage": {"garbage", 0o600, "restore it from a backup"},
		"empty":   {"", 0o600, "restore it from a backup"},
		"public":  {"garbage", 0o644, "chmod 600"},
		"much":    {strings.Repeat("A", 2000), 0o600, "2000 bytes"},
	} {
		t.Run(name, func(t *testing.T) {
			folder := t.TempDir()
			file := filepath.Join(folder, fileName)
			if err := os.WriteFile(file, []byte(c.text), c.mode); err != nil {
				t.Fatal(err)
			}
			if err := os.Chmod(file, c.mode); err != nil {
				t.Fatal(err)
			}
			if _, err := Load(folder); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v, want one that says %q", err, c.want)
			}
		})
	}
	if _, err := Load(filepath.Join(t.TempDir(), "missing")); err == nil {
		t.Error("a folder that is missing was no error")
	}
}
