package registrar

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"fmt"
	"time"

	"lamplighter/coordinator/devices"
	"lamplighter/coordinator/store"
	"lamplighter/proto/enrolment"
)

// TokenLife is how long a token counts.
const TokenLife = 24 * time.Hour

// readmitFor is how long a device has to renew after an operator let it.
const readmitFor = 7 * 24 * time.Hour

// Permit lets one device be enrolled as a beacon, within a day. With replace it
// takes the place of the device that the beacon has.
func (r *Registrar) Permit(ctx context.Context, beacon string, replace bool, by string) (enrolment.Token, time.Time, error) {
	authority := devices.Presenter(r.present().Authorities, time.Now())
	token, err := enrolment.NewToken(rand.Reader, authority.Certificate.Raw)
	if err != nil {
		return token, time.Time{}, err
	}
	hash := sha256.Sum256(token.Secret())
	permit, err := r.options.Store.GivePermit(ctx, store.Permit{SecretHash: hash[:], Beacon: beacon, GivenBy: by, Replaces: replace}, TokenLife)
	if err != nil {
		return token, time.Time{}, err
	}
	r.note(ctx, PermitGiven, beacon, "", "a device may be enrolled within a day, by leave of "+by)
	return token, permit.ExpiresAt, nil
}

// Revoke ends a beacon's device for ever. It is refused everywhere within
// seconds, and its connections end.
func (r *Registrar) Revoke(ctx context.Context, beacon, by, reason string) error {
	if err := r.options.Store.RevokeDevice(ctx, beacon, by, reason); err != nil {
		return err
	}
	r.note(ctx, DeviceRevoked, beacon, "", fmt.Sprintf("revoked by %s: %s", by, reason))
	return r.look(ctx)
}

// Readmit lets a device renew a certificate that is over.
func (r *Registrar) Readmit(ctx context.Context, beacon, by string) error {
	if err := r.options.Store.ReadmitDevice(ctx, beacon, by, readmitFor); err != nil {
		return err
	}
	r.note(ctx, DeviceReadmitted, beacon, "", "may renew its certificate within seven days, by leave of "+by)
	return r.look(ctx)
}

// enrolled is what a device is given.
type enrolled struct {
	certificate *x509.Certificate
	config      string
}

// enrol certifies a device's key for the beacon of its token.
func (r *Registrar) enrol(ctx context.Context, secret, request []byte, remote string) (given enrolled, err error) {
	key, _, reason := devices.RequestedKey(request)
	if reason != devices.Accepted {
		return given, refusal{reason}
	}
	hash := sha256.Sum256(secret)
	made, err := r.options.Store.UsePermit(ctx, hash[:], func(beacon string, now time.Time) (store.DeviceCertificate, error) {
		if given.config, err = r.options.Config(ctx, beacon); err != nil {
			return store.DeviceCertificate{}, err
		}
		return r.certify(&given, key, beacon, now)
	})
	if err != nil {
		return given, err
	}
	r.note(ctx, DeviceEnrolled, made.Beacon, remote, "a device was enrolled; its certificate lasts until "+made.NotAfter.Format(time.DateOnly))
	return given, r.look(ctx)
}

// renew certifies the key of a certificate again.
func (r *Registrar) renew(ctx context.Context, shown *x509.Certificate, request []byte, remote string) (given enrolled, err error) {
	key, hash, reason := devices.RequestedKey(request)
	if reason == devices.Accepted && (shown == nil || !devices.SameKey(hash, shown)) {
		reason = devices.BadRequest
	}
	if reason != devices.Accepted {
		return given, refusal{reason}
	}
	if err := r.look(ctx); err != nil {
		return given, err
	}
	if _, reason := r.present().Renew(shown, time.Now()); reason != devices.Accepted {
		return given, refusal{reason}
	}
	made, err := r.options.Store.RenewCertificate(ctx, devices.SerialOf(shown), func(former store.DeviceCertificate, now time.Time) (store.DeviceCertificate, error) {
		record, err := toRecord(former)
		if err != nil {
			return store.DeviceCertificate{}, err
		}
		present := r.present()
		present.Records = devices.Records{former.Serial: record} // as it is now
		if _, reason := present.Renew(shown, now); reason != devices.Accepted {
			return store.DeviceCertificate{}, refusal{reason}
		}
		return r.certify(&given, key, former.Beacon, now)
	})
	if err != nil {
		return given, err
	}
	r.note(ctx, DeviceRenewed, made.Beacon, remote, "its certificate lasts until "+made.NotAfter.Format(time.DateOnly))
	return given, r.look(ctx)
}

func (r *Registrar) certify(given *enrolled, key any, beacon string, now time.Time) (store.DeviceCertificate, error) {
	present := r.present()
	certificate, err := devices.Issuer(present.Authorities).Device(rand.Reader, key, present.ID, beacon, now)
	if err != nil {
		return store.DeviceCertificate{}, err
	}
	given.certificate = certificate
	return store.DeviceCertificate{
		Serial: devices.SerialOf(certificate), Beacon: beacon, KeyHash: devices.KeyHash(certificate),
		Certificate: certificate.Raw, NotAfter: certificate.NotAfter,
	}, nil
}

// refusal is an error that a device is told.
type refusal struct{ reason devices.Reason }

func (r refusal) Error() string { return r.reason.Sentence() }
