// Package vault seals what all coordinators of a network share: the key that
// orders are signed with, and those of the certificate authorities. Sealed, it
// lies in the database, where every coordinator finds the latest; the vault's
// own key lies in a file of each coordinator's folder, never changes, and is
// copied there once. So a copy of the database gives nothing away, a new
// authority reaches every coordinator by itself, and one small file is all that
// has to be kept in a safe place beside the database's backups.
//
// Sealing is AES-256 in Galois counter mode with a random nonce (NIST SP
// 800-38D), and the name of a secret is bound to it, so that none can be passed
// off as another.
package vault

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// FileName is the key's file within a coordinator's folder.
const FileName = "vault.key"

const (
	keyBytes = 32
	maxBytes = 1 << 10 // more than a key file ever has
)

// Vault seals and opens.
type Vault struct{ sealer cipher.AEAD }

// Load reads the key in the folder, or makes one where there is none. An error
// says what is wrong with the file and what to do.
func Load(folder string) (*Vault, error) {
	file := filepath.Join(folder, FileName)
	text, err := ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return create(folder, file)
	}
	if err != nil {
		return nil, err
	}
	key, err := base64.StdEncoding.DecodeString(strings.TrimSpace(string(text)))
	if err != nil || len(key) != keyBytes {
		return nil, fmt.Errorf("%s: a vault key is %d bytes in base64, and this is something else: restore it from a backup or from another coordinator of this network", file, keyBytes)
	}
	return open(key)
}

func open(key []byte) (*Vault, error) {
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	sealer, err := cipher.NewGCMWithRandomNonce(block)
	return &Vault{sealer}, err
}

// Seal seals a secret under its name.
func (v *Vault) Seal(name string, secret []byte) []byte {
	return v.sealer.Seal(nil, nil, secret, []byte(name))
}

// ErrOtherKey says that something was sealed with the key of another vault.
var ErrOtherKey = errors.New("what the coordinators of this network share was sealed with another key: copy " + FileName + " from the folder of the first coordinator, or from its backup, into this one's (--dir)")

// Open opens what was sealed under a name.
func (v *Vault) Open(name string, sealed []byte) ([]byte, error) {
	secret, err := v.sealer.Open(nil, nil, sealed, []byte(name))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, ErrOtherKey)
	}
	return secret, nil
}

// ReadFile reads a small file with something secret in it. It refuses one that
// others than its owner can read.
func ReadFile(file string) ([]byte, error) {
	info, err := os.Lstat(file)
	if err != nil {
		return nil, err
	}
	switch {
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s: a secret is kept in a plain file, and this is something else", file)
	case info.Mode().Perm()&0o077 != 0:
		return nil, fmt.Errorf("%s: others than its owner can read this secret (mode %04o): chmod 600 %s", file, info.Mode().Perm(), file)
	case info.Size() > maxBytes:
		return nil, fmt.Errorf("%s: %d bytes, and such a file has fewer than %d", file, info.Size(), maxBytes)
	}
	return os.ReadFile(file)
}

// create makes a key. The file appears whole or not at all, and when two
// programs start at once both go on with the same key.
func create(folder, file string) (*Vault, error) {
	key := make([]byte, keyBytes)
	_, _ = rand.Read(key)                              // ends the program rather than fail
	draft, err := os.CreateTemp(folder, FileName+".*") // mode 0600
	if err != nil {
		return nil, fmt.Errorf("no vault key could be made in %s: %w", folder, err)
	}
	defer func() { _ = os.Remove(draft.Name()) }()
	_, err = draft.WriteString(base64.StdEncoding.EncodeToString(key) + "\n")
	if err = errors.Join(err, draft.Sync(), draft.Close()); err != nil {
		return nil, fmt.Errorf("no vault key could be made in %s: %w", folder, err)
	}
	err = os.Link(draft.Name(), file)
	if errors.Is(err, fs.ErrExist) {
		return Load(folder)
	}
	if err != nil {
		return nil, fmt.Errorf("no vault key could be made in %s: %w", folder, err)
	}
	if err := syncFolder(folder); err != nil {
		return nil, err
	}
	return open(key)
}

func syncFolder(folder string) error {
	opened, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(opened.Sync(), opened.Close())
}
