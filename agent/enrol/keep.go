package enrol

import (
	"context"
	"crypto/x509"
	"errors"
	"log/slog"
	"math/rand/v2"
	"time"

	"lamplighter/proto/setup"
)

// How often the certificate is looked at, and how long it takes until a renewal
// that failed is tried again: up to so long, drawn evenly.
const (
	lookEvery  = time.Hour
	tryAgainIn = 10 * time.Minute
)

// due says whether a certificate is to be renewed: a third of its life is left,
// or less, or none.
func due(c *x509.Certificate, now time.Time) bool {
	return c.NotAfter.Sub(now) <= c.NotAfter.Sub(c.NotBefore)/3
}

// RenewIfDue gets another certificate when it is time. coordinator is HOST:PORT.
func (i Identity) RenewIfDue(ctx context.Context, coordinator string) error {
	certificate, err := i.Certificate()
	if err != nil || !due(certificate, time.Now()) {
		return err
	}
	return i.Renew(ctx, coordinator)
}

// Keep renews the certificate in time, and looks for another envelope, until ctx
// ends. Each that is newer is given to licensed.
func (i Identity) Keep(ctx context.Context, file *setup.File, licensed func(sealed []byte), log *slog.Logger) {
	for {
		wait := lookEvery
		err := i.RenewIfDue(ctx, file.Identity.Coordinator)
		if err != nil && ctx.Err() == nil {
			wait = rand.N(tryAgainIn)
			log.Warn("the certificate can't be renewed", "reason", err, "next_try", wait.Round(time.Second))
		}
		envelope, err := i.Refresh(ctx, file)
		switch {
		case err != nil && ctx.Err() == nil:
			if !errors.As(err, new(Refusal)) { // a coordinator of an earlier version refuses
				wait = min(wait, rand.N(tryAgainIn))
			}
			log.Warn("the coordinator can't be asked for the envelope; the present one stays", "reason", err, "next_try", wait.Round(time.Second))
		case envelope != nil:
			log.Info("the coordinator has given another envelope")
			licensed(envelope)
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
	}
}
