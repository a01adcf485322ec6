// Package registrar keeps the certificate authorities and the list of devices:
// it lets devices in, renews their certificates, revokes them, and answers at
// any moment which beacon a certificate speaks for. What is allowed package
// devices decides; everything lies in the database, the authorities' keys
// sealed.
//
// Each coordinator judges by a copy in memory, which it compares with the
// database every two seconds and whenever a certificate comes that it does not
// know. Without the database it goes on with the copy: devices connect as
// before, none is added or removed. Whoever keeps connections open asks to be
// told of a change (OnChange) and ends those that no longer count.
package registrar

import (
	"context"
	"crypto"
	"crypto/rand"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/devices"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/vault"
)

// compareEvery is how often the copy in memory is compared with the database.
const compareEvery = 2 * time.Second

// Options are what a registrar works with; all are required.
type Options struct {
	Store   *store.Store
	Vault   *vault.Vault
	Names   []string // of this coordinator, beside enrolment.ServerName
	Config  Config
	Log     *slog.Logger
	Metrics prometheus.Registerer
}

// Config makes the configuration that a device is given for its beacon.
type Config func(ctx context.Context, beacon string) (yaml string, err error)

// Registrar keeps authorities and devices.
type Registrar struct {
	options Options
	events  *prometheus.CounterVec
	network atomic.Pointer[string]
	copied  atomic.Pointer[devices.Network]

	compare sync.Mutex // one comparison with the database at a time
	state   store.DeviceState

	telling  sync.Mutex // of the one below
	onChange []func()

	shown shown

	noting sync.Mutex
	noted  map[noted]time.Time // until when it is quiet about each
}

// noted is what strangers can cause to be noted.
type noted struct {
	kind   Kind
	beacon string // one of ours, or empty: so there is a bounded number
}

// New reads what the database holds, and makes the first authority where there
// is none.
func New(ctx context.Context, options Options) (*Registrar, error) {
	r := &Registrar{options: options, noted: map[noted]time.Time{}, events: prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "lamplighter_device_events_total",
		Help: "What happened to devices, by kind; a kind counts once in ten minutes for a beacon.",
	}, []string{"kind"})}
	for _, kind := range Kinds() {
		r.events.WithLabelValues(string(kind))
	}
	r.network.Store(new(string))
	r.copied.Store(&devices.Network{})
	if err := options.Metrics.Register(r.events); err != nil {
		return nil, err
	}
	if err := r.keepAuthorities(ctx); err != nil {
		return nil, err
	}
	return r, r.look(ctx)
}

// SetNetwork says which network this is, once a fleet file does.
func (r *Registrar) SetNetwork(id string) { r.network.Store(&id) }

// OnChange adds what is called when devices may count no longer. Whoever joins
// during Run, as a broker does that starts with the first fleet file, is told of
// what changes from then on.
func (r *Registrar) OnChange(call func()) {
	r.telling.Lock()
	defer r.telling.Unlock()
	r.onChange = append(r.onChange, call)
}

// Run follows the database until ctx ends, and makes the next authority in time.
func (r *Registrar) Run(ctx context.Context) {
	again, daily, minute := time.NewTicker(compareEvery), time.NewTicker(24*time.Hour), time.NewTicker(time.Minute)
	defer again.Stop()
	defer daily.Stop()
	defer minute.Stop()
	for {
		var err error
		select {
		case <-ctx.Done():
			return
		case <-again.C:
			err = r.look(ctx)
		case <-minute.C: // certificates end without a change in the database
			r.changed()
		case <-daily.C:
			err = r.keepAuthorities(ctx)
		}
		if err != nil && ctx.Err() == nil {
			r.options.Log.Warn("the list of devices can't be compared with the database; the one known last is in force", "error", err)
		}
	}
}

func (r *Registrar) changed() {
	r.telling.Lock()
	calls := slices.Clone(r.onChange)
	r.telling.Unlock()
	for _, call := range calls {
		call()
	}
}

// Admit says which beacon a device may speak as.
func (r *Registrar) Admit(shown *x509.Certificate) (beacon string, reason devices.Reason) {
	beacon, reason = r.present().Judge(shown, time.Now())
	if reason != devices.NeverIssued {
		return beacon, reason
	}
	if !r.lookAgain() { // another coordinator may have issued it just now
		return beacon, reason
	}
	return r.present().Judge(shown, time.Now())
}

// Refused takes note of a device that was turned away.
func (r *Registrar) Refused(shown *x509.Certificate, reason devices.Reason, remote string) {
	kind := DeviceRefused
	if reason == devices.Revoked {
		kind = RevokedKnocks
	}
	ctx, cancel := context.WithTimeout(context.Background(), lookWithin)
	defer cancel()
	r.note(ctx, kind, r.beaconOf(shown), remote, reason.Sentence())
}

// beaconOf is the beacon of a certificate that we have issued; else empty.
func (r *Registrar) beaconOf(shown *x509.Certificate) string {
	record, _ := r.present().Renew(shown, time.Now())
	return record.Beacon
}

// present is what certificates are judged by now.
func (r *Registrar) present() devices.Network {
	present := *r.copied.Load()
	present.ID = *r.network.Load()
	return present
}

// lookWithin bounds a look at the database that somebody waits for.
const lookWithin = 5 * time.Second

// lookAgain compares with the database now. Only somebody with a certificate of
// our authorities can cause it.
func (r *Registrar) lookAgain() bool {
	ctx, cancel := context.WithTimeout(context.Background(), lookWithin)
	defer cancel()
	return r.look(ctx) == nil
}

// look compares the copy with the database, and reads it anew if it differs.
func (r *Registrar) look(ctx context.Context) error {
	changed, err := r.read(ctx)
	if changed {
		r.changed()
	}
	return err
}

func (r *Registrar) read(ctx context.Context) (changed bool, err error) {
	r.compare.Lock()
	defer r.compare.Unlock()
	state, err := r.options.Store.DeviceState(ctx)
	if err != nil {
		return false, err
	}
	if state == r.state {
		return false, nil
	}
	next, err := r.readAll(ctx)
	if err != nil {
		return false, err
	}
	r.state = state
	r.copied.Store(next)
	return true, nil
}

func (r *Registrar) readAll(ctx context.Context) (*devices.Network, error) {
	next := &devices.Network{Records: devices.Records{}, Proven: &devices.Proven{}}
	kept, err := r.options.Store.Authorities(ctx)
	if err != nil {
		return nil, err
	}
	for _, a := range kept {
		opened, err := r.open(a)
		if err != nil {
			return nil, err
		}
		next.Authorities = append(next.Authorities, opened)
	}
	certificates, err := r.options.Store.DeviceCertificates(ctx)
	if err != nil {
		return nil, err
	}
	for _, c := range certificates {
		record, err := toRecord(c)
		if err != nil {
			return nil, err
		}
		next.Records[c.Serial] = record
	}
	return next, nil
}

func toRecord(c store.DeviceCertificate) (devices.Record, error) {
	certificate, err := x509.ParseCertificate(c.Certificate)
	if err != nil {
		return devices.Record{}, fmt.Errorf("certificate %s in the database: %w", c.Serial, err)
	}
	record := devices.Record{Certificate: certificate, Beacon: c.Beacon}
	if c.RevokedAt != nil {
		record.Revoked = *c.RevokedAt
	}
	if c.ReadmitUntil != nil {
		record.Readmit = *c.ReadmitUntil
	}
	return record, nil
}

// keepAuthorities makes an authority if it is time for one.
func (r *Registrar) keepAuthorities(ctx context.Context) error {
	return r.options.Store.AddAuthority(ctx, func(present []store.Authority) (*store.Authority, error) {
		var all []devices.Authority
		for _, a := range present {
			opened, err := r.open(a)
			if err != nil {
				return nil, err
			}
			all = append(all, opened)
		}
		now := time.Now()
		if !devices.AuthorityDue(all, now) {
			return nil, nil
		}
		made, err := devices.NewAuthority(rand.Reader, now)
		if err != nil {
			return nil, err
		}
		return r.seal(made)
	})
}

func (r *Registrar) seal(a devices.Authority) (*store.Authority, error) {
	key, err := x509.MarshalPKCS8PrivateKey(a.Key)
	if err != nil {
		return nil, err
	}
	serial := devices.SerialOf(a.Certificate)
	return &store.Authority{
		Serial: serial, Certificate: a.Certificate.Raw, SealedKey: r.options.Vault.Seal("authority "+serial, key),
	}, nil
}

func (r *Registrar) open(a store.Authority) (devices.Authority, error) {
	key, err := r.options.Vault.Open("authority "+a.Serial, a.SealedKey)
	if err != nil {
		return devices.Authority{}, err
	}
	parsed, err := x509.ParsePKCS8PrivateKey(key)
	if err != nil {
		return devices.Authority{}, fmt.Errorf("authority %s in the database: its key is damaged", a.Serial)
	}
	signer, ok := parsed.(crypto.Signer)
	if !ok {
		return devices.Authority{}, errors.New("the key of an authority can't sign")
	}
	certificate, err := x509.ParseCertificate(a.Certificate)
	return devices.Authority{Certificate: certificate, Key: signer}, err
}
