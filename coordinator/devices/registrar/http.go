package registrar

import (
	"context"
	"crypto/x509"
	"errors"
	"io"
	"net/http"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/devices"
	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/store"
	"lamplighter/proto/enrolment"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// answerWithin bounds the work for one request.
const answerWithin = 20 * time.Second

// Handle adds what devices ask to a server that asks for their certificate, but
// leaves it to us to judge it.
func (r *Registrar) Handle(mux *http.ServeMux) {
	mux.HandleFunc("POST "+enrolment.EnrolPath, func(w http.ResponseWriter, q *http.Request) {
		asked := &wirev1.Enrol{}
		r.answer(w, q, asked, EnrolmentRefused, func(ctx context.Context) (enrolled, error) {
			return r.enrol(ctx, asked.GetSecret(), asked.GetRequest(), q.RemoteAddr)
		})
	})
	mux.HandleFunc("POST "+enrolment.RenewPath, func(w http.ResponseWriter, q *http.Request) {
		asked := &wirev1.Renew{}
		r.answer(w, q, asked, RenewalRefused, func(ctx context.Context) (enrolled, error) {
			return r.renew(ctx, Shown(q), asked.GetRequest(), q.RemoteAddr)
		})
	})
	mux.HandleFunc("GET "+enrolment.ConfigurationPath, r.configuration)
}

// configuration gives a device what it would be given if it were enrolled now:
// its envelope may be another since.
func (r *Registrar) configuration(w http.ResponseWriter, q *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	beacon, reason := r.Admit(Shown(q))
	if reason != devices.Accepted {
		r.Refused(Shown(q), reason, q.RemoteAddr)
		http.Error(w, reason.Sentence(), http.StatusForbidden)
		return
	}
	ctx, cancel := context.WithTimeout(q.Context(), answerWithin)
	defer cancel()
	text, err := r.options.Config(ctx, beacon)
	if err != nil {
		r.refuse(ctx, w, q, RenewalRefused, err)
		return
	}
	w.Header().Set("Content-Type", "application/yaml")
	_, _ = io.WriteString(w, text) // the asker may be gone
}

// Shown is the certificate that a device has shown; nil: none.
func Shown(q *http.Request) *x509.Certificate {
	if q.TLS == nil || len(q.TLS.PeerCertificates) == 0 {
		return nil
	}
	return q.TLS.PeerCertificates[0]
}

// answer reads what is asked, does it and answers.
func (r *Registrar) answer(w http.ResponseWriter, q *http.Request, asked proto.Message, refused Kind, do func(context.Context) (enrolled, error)) {
	w.Header().Set("Cache-Control", "no-store")
	body, err := io.ReadAll(http.MaxBytesReader(w, q.Body, enrolment.MaxBytes))
	if err != nil {
		http.Error(w, "the request is too large, or was cut short", http.StatusRequestEntityTooLarge)
		return
	}
	if err := proto.Unmarshal(body, asked); err != nil {
		http.Error(w, "this is no request of a device", http.StatusBadRequest)
		return
	}
	ctx, cancel := context.WithTimeout(q.Context(), answerWithin)
	defer cancel()
	given, err := do(ctx)
	if err != nil {
		r.refuse(ctx, w, q, refused, err)
		return
	}
	answer := &wirev1.Enrolled{Certificate: given.certificate.Raw, Configuration: given.config}
	for _, a := range r.present().Authorities {
		answer.Authorities = append(answer.Authorities, a.Certificate.Raw)
	}
	text, err := proto.Marshal(answer)
	if err != nil {
		r.refuse(ctx, w, q, refused, err)
		return
	}
	w.Header().Set("Content-Type", enrolment.ContentType)
	_, _ = w.Write(text) // the asker may be gone
}

// refuse says why not, and keeps it.
func (r *Registrar) refuse(ctx context.Context, w http.ResponseWriter, q *http.Request, kind Kind, err error) {
	var no refusal
	switch {
	case errors.As(err, &no):
		if no.reason == devices.NeedsConsent {
			kind = ConsentWanted
		}
		r.note(ctx, kind, r.beaconOf(Shown(q)), q.RemoteAddr, no.Error())
		http.Error(w, no.Error(), http.StatusForbidden)
	case errors.Is(err, store.ErrNoPermit), errors.Is(err, store.ErrKeySeen):
		r.note(ctx, kind, "", q.RemoteAddr, err.Error())
		http.Error(w, err.Error(), http.StatusForbidden)
	default:
		r.options.Log.Error("a device could not be answered", "path", q.URL.Path, "error", err)
		http.Error(w, fault.Sentence(err), fault.Of(err).HTTP())
	}
}
