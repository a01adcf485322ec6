package registrar

import (
	"context"
	"time"

	"lamplighter/coordinator/store"
)

// Kind is a kind of event in the life of a device.
type Kind string

// The kinds.
const (
	PermitGiven      Kind = "permit_given"
	DeviceEnrolled   Kind = "enrolled"
	DeviceRenewed    Kind = "renewed"
	DeviceRevoked    Kind = "revoked"
	DeviceReadmitted Kind = "readmitted"
	EnrolmentRefused Kind = "enrolment_refused" // a token that does not count
	RenewalRefused   Kind = "renewal_refused"
	ConsentWanted    Kind = "consent_wanted" // a device whose certificate is over asks to be let in again
	DeviceRefused    Kind = "refused"        // a certificate that does not count
	RevokedKnocks    Kind = "revoked_knocks" // a revoked device tries to connect
	DeviceCloned     Kind = "cloned"         // two devices speak as one beacon
)

// Kinds lists them all.
func Kinds() []Kind {
	return []Kind{
		PermitGiven, DeviceEnrolled, DeviceRenewed, DeviceRevoked, DeviceReadmitted, EnrolmentRefused, RenewalRefused,
		ConsentWanted, DeviceRefused, RevokedKnocks, DeviceCloned,
	}
}

// quiet is for how long an event that strangers can cause is not noted again, and
// tryAgain when it could not be kept.
const (
	quiet    = 10 * time.Minute
	tryAgain = 5 * time.Second
)

// planned says whether only a person's order, or a device that counts, causes
// the kind; each time is noted then.
func (k Kind) planned() bool {
	switch k {
	case PermitGiven, DeviceEnrolled, DeviceRenewed, DeviceRevoked, DeviceReadmitted:
		return true
	}
	return false
}

// note keeps an event in the database, counts it and logs it, once in a while.
func (r *Registrar) note(ctx context.Context, kind Kind, beacon, remote, sentence string) {
	pause, what := quiet, noted{kind, beacon}
	if kind.planned() {
		pause = 0
	} else if r.recently(what) { // a flood must not become one of queries
		return
	}
	added, err := r.options.Store.AddDeviceEvent(ctx, store.DeviceEvent{Beacon: beacon, Kind: string(kind), Sentence: sentence, Remote: remote}, pause)
	if err != nil {
		r.options.Log.Error("an event of a device can't be kept", "kind", string(kind), "beacon", beacon, "sentence", sentence, "error", err)
		r.quietFor(what, tryAgain)
		return
	}
	if added {
		r.events.WithLabelValues(string(kind)).Inc()
		r.options.Log.Warn("something happened to a device", "kind", string(kind), "beacon", beacon, "sentence", sentence, "remote", remote)
	}
}

// recently says whether this coordinator is quiet about it, and is from now on.
func (r *Registrar) recently(n noted) bool {
	r.noting.Lock()
	defer r.noting.Unlock()
	now := time.Now()
	if now.Before(r.noted[n]) {
		return true
	}
	r.noted[n] = now.Add(quiet)
	return false
}

// quietFor ends the quiet about something in so long.
func (r *Registrar) quietFor(n noted, d time.Duration) {
	r.noting.Lock()
	defer r.noting.Unlock()
	r.noted[n] = time.Now().Add(d)
}

// Cloned takes note that a second device speaks as a beacon.
func (r *Registrar) Cloned(ctx context.Context, beacon, sentence string) {
	r.note(ctx, DeviceCloned, beacon, "", sentence)
}
