package vault

import (
	"bytes"
	"errors"
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
	sealed := first.Seal("a name", []byte("a secret"))
	again, err := Load(folder)
	if err != nil {
		t.Fatal(err)
	}
	if secret, err := again.Open("a name", sealed); err != nil || string(secret) != "a secret" {
		t.Errorf("after a second start: %q, %v", secret, err)
	}
	info, err := os.Stat(filepath.Join(folder, FileName))
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

func TestNothingButTheSameVaultAndNameOpensASecret(t *testing.T) {
	vault, err := Load(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	other, err := Load(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	secret := []byte("a secret that is nobody's business")
	sealed := vault.Seal("a name", secret)
	if bytes.Contains(sealed, secret[:8]) {
		t.Error("the secret can be read")
	}
	if bytes.Equal(sealed, vault.Seal("a name", secret)) {
		t.Error("the same secret twice looks the same")
	}
	if _, err := other.Open("a name", sealed); !errors.Is(err, ErrOtherKey) {
		t.Errorf("another vault: %v", err)
	}
	if _, err := vault.Open("another name", sealed); !errors.Is(err, ErrOtherKey) {
		t.Errorf("another name: %v", err)
	}
	for i := range sealed {
		spoilt := bytes.Clone(sealed)
		spoilt[i] ^= 1
		if _, err := vault.Open("a name", spoilt); err == nil {
			t.Errorf("byte %d was changed, and it opens", i)
		}
		if _, err := vault.Open("a name", sealed[:i]); err == nil {
			t.Errorf("cut at byte %d, and it opens", i)
		}
	}
}

func TestStartsAtTheSameMomentAgreeOnOneKey(t *testing.T) {
	folder := t.TempDir()
	vaults := make([]*Vault, 8)
	var starts sync.WaitGroup
	for i := range vaults {
		starts.Go(func() {
			var err error
			if vaults[i], err = Load(folder); err != nil {
				t.Error(err)
			}
		})
	}
	starts.Wait()
	if t.Failed() {
		return
	}
	sealed := vaults[0].Seal("a name", []byte("a secret"))
	for _, vault := range vaults {
		if _, err := vault.Open("a name", sealed); err != nil {
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
		"garbage":       {"garbage", 0o600, "restore it from a backup"},
		"empty":         {"", 0o600, "restore it from a backup"},
		"others read":   {"garbage", 0o644, "chmod 600"},
		"a group reads": {"garbage", 0o640, "chmod 600"},
		"much":          {strings.Repeat("A", 2000), 0o600, "2000 bytes"},
	} {
		t.Run(name, func(t *testing.T) {
			folder := t.TempDir()
			file := filepath.Join(folder, FileName)
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
