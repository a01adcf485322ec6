// Package signing keeps the key with which the coordinators of a network sign.
// They share it: it is made once and lies in the database, sealed (package
// vault). Whoever has it can key transmitters.
package signing

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"

	"lamplighter/coordinator/vault"
	"lamplighter/proto/seal"
)

// name is what the key is sealed under.
const name = "signing key"

// formerFile held the key in a coordinator's folder before it was shared.
const formerFile = "signing.key"

// Secrets keeps sealed secrets; a store does.
type Secrets interface {
	Secret(ctx context.Context, name string) ([]byte, error)
	OfferSecret(ctx context.Context, name string, sealed []byte) ([]byte, error)
}

// Load reads the key, or makes one where there is none. A key that a former
// program left in the folder is taken over, so that agents go on trusting it.
func Load(ctx context.Context, secrets Secrets, v *vault.Vault, folder string) (*seal.Signer, error) {
	sealed, err := secrets.Secret(ctx, name)
	if err != nil {
		return nil, err
	}
	if sealed == nil {
		signer, err := first(folder)
		if err != nil {
			return nil, err
		}
		if sealed, err = secrets.OfferSecret(ctx, name, v.Seal(name, []byte(signer.Secret()))); err != nil {
			return nil, err
		}
	}
	secret, err := v.Open(name, sealed)
	if err != nil {
		return nil, err
	}
	return seal.ParseSigner(string(secret))
}

func first(folder string) (*seal.Signer, error) {
	file := filepath.Join(folder, formerFile)
	text, err := vault.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return seal.NewSigner(rand.Reader)
	}
	if err != nil {
		return nil, err
	}
	signer, err := seal.ParseSigner(string(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w: restore it from a backup, or remove it and give every agent a new configuration", file, err)
	}
	return signer, nil
}
