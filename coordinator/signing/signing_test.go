package signing

import (
	"crypto/rand"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"lamplighter/coordinator/store/storetest"
	"lamplighter/coordinator/vault"
	"lamplighter/proto/seal"
)

func open(t *testing.T, folder string) *vault.Vault {
	t.Helper()
	v, err := vault.Load(folder)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestAllCoordinatorsSignWithOneKey(t *testing.T) {
	s, folder := storetest.New(t), t.TempDir()
	v := open(t, folder)
	secrets := make([]string, 8)
	var starts sync.WaitGroup
	for i := range secrets {
		starts.Go(func() {
			signer, err := Load(t.Context(), s, v, folder)
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
	sealed, err := s.Secret(t.Context(), name)
	if err != nil || strings.Contains(string(sealed), secrets[0]) {
		t.Errorf("the database holds the key itself, or none: %v", err)
	}
}

func TestACoordinatorWithoutTheVaultsKeyIsToldWhatToCopy(t *testing.T) {
	s, folder := storetest.New(t), t.TempDir()
	if _, err := Load(t.Context(), s, open(t, folder), folder); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(t.Context(), s, open(t, t.TempDir()), folder); !errors.Is(err, vault.ErrOtherKey) || !strings.Contains(err.Error(), vault.FileName) {
		t.Errorf("%v", err)
	}
}

func TestAKeyFromBeforeIsTakenOver(t *testing.T) {
	former, err := seal.NewSigner(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		text string
		mode os.FileMode
		want string // in the error; empty: none
	}{
		"right":       {former.Secret() + "\n", 0o600, ""},
		"garbage":     {"garbage", 0o600, "restore it from a backup"},
		"others read": {former.Secret(), 0o644, "chmod 600"},
	} {
		t.Run(name, func(t *testing.T) {
			folder := t.TempDir()
			if err := os.WriteFile(filepath.Join(folder, formerFile), []byte(c.text), c.mode); err != nil {
				t.Fatal(err)
			}
			signer, err := Load(t.Context(), storetest.New(t), open(t, folder), folder)
			switch {
			case c.want == "" && (err != nil || signer.Secret() != former.Secret()):
				t.Errorf("not taken over: %v", err)
			case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
				t.Errorf("error %v, want one that says %q", err, c.want)
			case err != nil && strings.Contains(err.Error(), former.Secret()):
				t.Error("the error holds the secret")
			}
		})
	}
}
