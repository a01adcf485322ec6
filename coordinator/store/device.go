package store

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/fault"
)

// DeviceCertificate is a certificate that a device was given. Times are the
// database's.
type DeviceCertificate struct {
	Serial       string // hexadecimal
	Beacon       string
	KeyHash      []byte // SHA-256 of the public key
	Certificate  []byte // DER
	NotAfter     time.Time
	IssuedAt     time.Time
	RevokedAt    *time.Time // nil: it was not
	RevokedBy    *string
	RevokeReason *string
	ReadmitUntil *time.Time // until then it may be renewed though it is over
}

// Permit is leave for one device to be enrolled, once.
type Permit struct {
	SecretHash []byte // SHA-256 of the token's secret
	Beacon     string
	GivenBy    string
	ExpiresAt  time.Time
	Replaces   bool // the beacon has a device, which this one takes the place of
}

// DeviceEvent is something that happened to a beacon's device.
type DeviceEvent struct {
	Event    int64
	At       time.Time
	Beacon   string
	Kind     string
	Sentence string
	Remote   string
}

const certificateColumns = `serial, beacon, key_hash, certificate, not_after, issued_at,
	revoked_at, revoked_by, revoke_reason, readmit_until`

// DeviceCertificates lists every certificate that was ever given out.
func (s *Store) DeviceCertificates(ctx context.Context) ([]DeviceCertificate, error) {
	rows, err := s.pool.Query(ctx, "select "+certificateColumns+" from device_certificates order by beacon, issued_at, serial")
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[DeviceCertificate])
}

// hasDevice says whether a beacon has a device that was not revoked.
func hasDevice(ctx context.Context, tx *Tx, beacon string) (has bool, err error) {
	err = tx.QueryRow(ctx, "select exists (select from device_certificates where beacon = $1 and revoked_at is null)", beacon).Scan(&has)
	return has, err
}

// lockDevice makes everything that changes a beacon's device wait for one
// another.
func lockDevice(ctx context.Context, tx *Tx, beacon string) error {
	_, err := tx.Exec(ctx, "select pg_advisory_xact_lock(hashtextextended('device ' || $1, 0))", beacon)
	return err
}

// GivePermit stores a permit, in the place of any other for the beacon that was
// not used. A beacon that has a device needs one that says so.
func (s *Store) GivePermit(ctx context.Context, p Permit, lifetime time.Duration) (Permit, error) {
	err := s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		if err := lockDevice(ctx, tx, p.Beacon); err != nil {
			return err
		}
		has, err := hasDevice(ctx, tx, p.Beacon)
		if err != nil {
			return err
		}
		if has && !p.Replaces {
			return fault.New(fault.Refused, "beacon", "beacon %s has a device already: to put another one in its place, which ends the first, say lamplighter enrol %[1]s --replace", p.Beacon)
		}
		p.ExpiresAt = tx.Now.Add(lifetime)
		if _, err := tx.Exec(ctx, "delete from enrolment_permits where beacon = $1 and used_at is null", p.Beacon); err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `insert into enrolment_permits (secret_hash, beacon, given_by, expires_at, replaces) values ($1, $2, $3, $4, $5)`,
			p.SecretHash, p.Beacon, p.GivenBy, p.ExpiresAt, p.Replaces)
		return err
	})
	return p, err
}

// ErrNoPermit says that a token is unknown, was used, or is over. Which of them,
// a stranger is not told.
var ErrNoPermit = errors.New("this token does not count: it may have been used, be over, or be mistyped")

// ErrKeySeen says that a device came with a key that was enrolled before, which
// a revoked one could.
var ErrKeySeen = errors.New("this key was enrolled before: make a new one, in an empty folder")

// UsePermit uses a permit up and stores the certificate that issue makes for its
// beacon. Whatever device the beacon had is revoked with it.
func (s *Store) UsePermit(ctx context.Context, secretHash []byte, issue func(beacon string, now time.Time) (DeviceCertificate, error)) (made DeviceCertificate, err error) {
	err = s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		var beacon string
		var replaces bool
		err := tx.QueryRow(ctx, `update enrolment_permits set used_at = now()
			where secret_hash = $1 and used_at is null and expires_at > now() returning beacon, replaces`, secretHash).Scan(&beacon, &replaces)
		if errors.Is(err, pgx.ErrNoRows) {
			return ErrNoPermit
		}
		if err != nil {
			return err
		}
		if err := lockDevice(ctx, tx, beacon); err != nil {
			return err
		}
		has, err := hasDevice(ctx, tx, beacon)
		if err != nil {
			return err
		}
		if has && !replaces {
			return ErrNoPermit
		}
		if err := revoke(ctx, tx, beacon, "enrolment", "another device took its place"); err != nil {
			return err
		}
		if made, err = issue(beacon, tx.Now); err != nil {
			return err
		}
		var seen bool
		if err := tx.QueryRow(ctx, "select exists (select from device_certificates where key_hash = $1)", made.KeyHash).Scan(&seen); err != nil {
			return err
		}
		if seen {
			return ErrKeySeen
		}
		return addCertificate(ctx, tx, made)
	})
	return made, err
}

// RenewCertificate stores the certificate that issue makes from what is known of
// a former one now. issue says why if it makes none.
func (s *Store) RenewCertificate(ctx context.Context, serial string, issue func(former DeviceCertificate, now time.Time) (DeviceCertificate, error)) (made DeviceCertificate, err error) {
	err = s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		rows, err := tx.Query(ctx, "select "+certificateColumns+" from device_certificates where serial = $1 for update", serial)
		if err != nil {
			return err
		}
		former, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[DeviceCertificate])
		if err != nil {
			return err
		}
		if made, err = issue(former, tx.Now); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, "update device_certificates set readmit_until = null where serial = $1", serial); err != nil {
			return err
		}
		return addCertificate(ctx, tx, made)
	})
	return made, err
}

func addCertificate(ctx context.Context, tx *Tx, c DeviceCertificate) error {
	_, err := tx.Exec(ctx, `insert into device_certificates (serial, beacon, key_hash, certificate, not_after) values ($1, $2, $3, $4, $5)`,
		c.Serial, c.Beacon, c.KeyHash, c.Certificate, c.NotAfter)
	if sqlState(err) == uniqueViolation {
		return fault.New(fault.Conflict, "", "a certificate with this number exists: try again")
	}
	return err
}

// RevokeDevice revokes all certificates of a beacon's device, for ever, and any
// leave to enrol another.
func (s *Store) RevokeDevice(ctx context.Context, beacon, by, reason string) error {
	return s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		if err := lockDevice(ctx, tx, beacon); err != nil {
			return err
		}
		has, err := hasDevice(ctx, tx, beacon)
		if err != nil {
			return err
		}
		dropped, err := tx.Exec(ctx, "delete from enrolment_permits where beacon = $1 and used_at is null", beacon)
		if err != nil {
			return err
		}
		if !has && dropped.RowsAffected() == 0 {
			return fault.New(fault.NotFound, "beacon", "beacon %.64q has no device that could be revoked; lamplighter devices lists them", beacon)
		}
		return revoke(ctx, tx, beacon, by, reason)
	})
}

func revoke(ctx context.Context, tx *Tx, beacon, by, reason string) error {
	_, err := tx.Exec(ctx, `update device_certificates set revoked_at = now(), revoked_by = $2, revoke_reason = $3
		where beacon = $1 and revoked_at is null`, beacon, by, reason)
	return err
}

// ReadmitDevice lets the device of a beacon renew its latest certificate though
// it is over, for a time.
func (s *Store) ReadmitDevice(ctx context.Context, beacon, by string, lifetime time.Duration) error {
	tag, err := s.pool.Exec(ctx, `update device_certificates set readmit_until = now() + $3, readmit_by = $2
		where serial = (select serial from device_certificates where beacon = $1 and revoked_at is null order by not_after desc, serial limit 1)`,
		beacon, by, lifetime)
	if err == nil && tag.RowsAffected() == 0 {
		return fault.New(fault.NotFound, "beacon", "beacon %.64q has no device that could be let in again; enrol one with: lamplighter enrol", beacon)
	}
	return err
}

// AddDeviceEvent adds an event, unless the same kind was added for the beacon
// within quiet. It says whether it did.
func (s *Store) AddDeviceEvent(ctx context.Context, e DeviceEvent, quiet time.Duration) (added bool, err error) {
	tag, err := s.pool.Exec(ctx, `insert into device_events (beacon, kind, sentence, remote)
		select $1, $2, $3, $4 where not exists (
			select from device_events where beacon = $1 and kind = $2 and at > now() - $5::interval)`,
		e.Beacon, e.Kind, e.Sentence, e.Remote, quiet)
	return tag.RowsAffected() > 0, err
}

// DeviceEvents lists the latest events, the newest first.
func (s *Store) DeviceEvents(ctx context.Context, most int) ([]DeviceEvent, error) {
	rows, err := s.pool.Query(ctx, "select event, at, beacon, kind, sentence, remote from device_events order by event desc limit $1", most)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[DeviceEvent])
}

// DeviceState is other than before whenever a certificate, an authority or what
// is known of one has changed.
type DeviceState struct {
	Certificates, Revoked, Authorities int64
	Readmitted                         time.Time
}

// DeviceState says how things stand.
func (s *Store) DeviceState(ctx context.Context) (state DeviceState, err error) {
	var readmitted *time.Time
	err = s.pool.QueryRow(ctx, `select count(*), count(revoked_at), max(readmit_until), (select count(*) from authorities) from device_certificates`).
		Scan(&state.Certificates, &state.Revoked, &readmitted, &state.Authorities)
	if readmitted != nil {
		state.Readmitted = *readmitted
	}
	return state, err
}
