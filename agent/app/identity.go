package app

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"

	"lamplighter/agent/enrol"
	"lamplighter/proto/setup"
)

// checkIdentity says what is wrong with by what the device proves who it is.
func checkIdentity(file *setup.File) error {
	if !file.Secured() {
		return nil
	}
	if file.Identity == nil {
		return errors.New("identity: missing, and the broker asks for a certificate: enrol this device with lamplighter-agent enrol")
	}
	if _, err := enrol.At(file.Identity.Folder).TLS(); err != nil {
		return fmt.Errorf("identity: %w", err)
	}
	return nil
}

// identify is how each connection begins, and keeps the certificate renewed; nil
// where nothing is encrypted.
func (a *App) identify() func() (*tls.Config, error) {
	if !a.options.File.Secured() {
		return nil
	}
	kept := a.options.File.Identity
	identity := enrol.At(kept.Folder)
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		<-a.done
		cancel()
	}()
	go identity.Keep(ctx, a.options.File, func(sealed []byte) {
		select {
		case a.licensed <- sealed:
		case <-ctx.Done():
		}
	}, a.options.Log)
	return identity.TLS
}
