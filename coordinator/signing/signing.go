// Package signing keeps the key with which the coordinator signs: made at the
// first start, in the coordinator's own folder, readable by its owner alone.
// Whoever has it can key transmitters.
package signing

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"lamplighter/proto/seal"
)

// fileName is the key's file within the coordinator's folder.
const fileName = "signing.key"

// maxBytes is more than a key ever has.
const maxBytes = 1 << 10

// Load reads the key in the folder, or makes one where there is none. An error
// says what is wrong with the file and what to do.
func Load(folder string) (*seal.Signer, error) {
	file := filepath.Join(folder, fileName)
	text, err := read(file)
	if errors.Is(err, fs.ErrNotExist) {
		return create(folder, file)
	}
	if err != nil {
		return nil, err
	}
	signer, err := seal.ParseSigner(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w: restore it from a backup, or remove it and give every agent a new configuration", file, err)
	}
	return signer, nil
}

func read(file string) (string, error) {
	info, err := os.Lstat(file)
	if err != nil {
		return "", err
	}
	switch {
	case !info.Mode().IsRegular():
		return "", fmt.Errorf("%s: the signing key is kept in a plain file, and this is something else", file)
	case info.Mode().Perm()&0o077 != 0:
		return "", fmt.Errorf("%s: others than its owner can read the signing key (mode %04o): chmod 600 %s", file, info.Mode().Perm(), file)
	case info.Size() > maxBytes:
		return "", fmt.Errorf("%s: %d bytes, and a signing key has fewer than %d", file, info.Size(), maxBytes)
	}
	text, err := os.ReadFile(file)
	return string(text), err
}

// create makes a key. The file appears whole or not at all, and when two
// programs start at once both go on with the same key.
func create(folder, file string) (*seal.Signer, error) {
	signer, err := seal.NewSigner(rand.Reader)
	if err != nil {
		return nil, err
	}
	draft, err := os.CreateTemp(folder, fileName+".*") // mode 0600
	if err != nil {
		return nil, fmt.Errorf("no signing key could be made in %s: %w", folder, err)
	}
	defer func() { _ = os.Remove(draft.Name()) }()
	_, err = draft.WriteString(signer.Secret() + "\n")
	if err = errors.Join(err, draft.Sync(), draft.Close()); err != nil {
		return nil, fmt.Errorf("no signing key could be made in %s: %w", folder, err)
	}
	err = os.Link(draft.Name(), file)
	if errors.Is(err, fs.ErrExist) {
		return Load(folder)
	}
	if err != nil {
		return nil, fmt.Errorf("no signing key could be made in %s: %w", folder, err)
	}
	return signer, syncFolder(folder)
}

func syncFolder(folder string) error {
	opened, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(opened.Sync(), opened.Close())
}
