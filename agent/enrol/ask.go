package enrol

import (
	"bytes"
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/proto/enrolment"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// answerWithin bounds a whole exchange with the coordinator.
const answerWithin = 30 * time.Second

// errNotPinned says that whoever answered is not whom the token names.
var errNotPinned = errors.New("whoever answers there is not the coordinator that gave this token: the token may be mistyped, the address wrong, or somebody stands in between")

// Enrol lets this device in with a token: it makes a key, gets a certificate for
// it, and returns the configuration that the coordinator wrote. coordinator is
// HOST:PORT.
func (i Identity) Enrol(ctx context.Context, coordinator string, token enrolment.Token) (configuration string, err error) {
	if i.Enrolled() {
		return "", fmt.Errorf("%s: this device was enrolled already; to enrol it anew, name another folder", i.folder)
	}
	key, err := i.makeKey()
	if err != nil {
		return "", err
	}
	request, err := certificateRequest(key)
	if err != nil {
		return "", err
	}
	config := &tls.Config{
		MinVersion: tls.VersionTLS12, ServerName: enrolment.ServerName,
		InsecureSkipVerify: true, //nolint:gosec // VerifyConnection does it, against the token's fingerprint
		VerifyConnection:   func(state tls.ConnectionState) error { return pinned(token, state.PeerCertificates, time.Now()) },
	}
	answer, err := ask(ctx, coordinator, enrolment.EnrolPath, config, &wirev1.Enrol{Secret: token.Secret(), Request: request})
	if err != nil {
		return "", err
	}
	if err := i.take(answer, key); err != nil {
		return "", err
	}
	return answer.GetConfiguration(), nil
}

// pinned checks what a coordinator has shown: its certificate, and after it that
// of the authority whose fingerprint the token holds.
func pinned(token enrolment.Token, shown []*x509.Certificate, now time.Time) error {
	roots, found := x509.NewCertPool(), false
	for _, c := range shown {
		if token.Names(c.Raw) {
			roots.AddCert(c)
			found = true
		}
	}
	if !found {
		return errNotPinned
	}
	_, err := shown[0].Verify(x509.VerifyOptions{Roots: roots, DNSName: enrolment.ServerName, CurrentTime: now})
	var invalid x509.CertificateInvalidError
	if errors.As(err, &invalid) && invalid.Reason == x509.Expired {
		return fmt.Errorf("by this device's clock, which says %s, the coordinator's certificate is not valid: set the clock", now.UTC().Format(time.RFC3339))
	}
	if err != nil {
		return errNotPinned
	}
	return nil
}

// Renew gets another certificate for the device's key. coordinator is HOST:PORT.
func (i Identity) Renew(ctx context.Context, coordinator string) error {
	key, err := i.key()
	if err != nil {
		return err
	}
	request, err := certificateRequest(key)
	if err != nil {
		return err
	}
	config, err := i.TLS()
	if err != nil {
		return err
	}
	answer, err := ask(ctx, coordinator, enrolment.RenewPath, config, &wirev1.Renew{Request: request})
	if err != nil {
		return err
	}
	return i.take(answer, key)
}

func certificateRequest(key crypto.Signer) ([]byte, error) {
	return x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{}, key)
}

// take keeps an answer that is for this device's key.
func (i Identity) take(answer *wirev1.Enrolled, key crypto.Signer) error {
	certificate, err := x509.ParseCertificate(answer.GetCertificate())
	if err != nil {
		return errors.New("the coordinator's answer holds no certificate")
	}
	public, ok := certificate.PublicKey.(*ecdsa.PublicKey)
	if !ok || !public.Equal(key.Public()) {
		return errors.New("the coordinator's answer is a certificate for another key")
	}
	if len(answer.GetAuthorities()) == 0 {
		return errors.New("the coordinator's answer names no authority")
	}
	for _, der := range answer.GetAuthorities() {
		if _, err := x509.ParseCertificate(der); err != nil {
			return errors.New("the coordinator's answer names an authority without a certificate")
		}
	}
	return i.keep(answer.GetCertificate(), answer.GetAuthorities())
}

// Refusal is the coordinator's word that it gives no certificate.
type Refusal struct{ Sentence string }

func (r Refusal) Error() string { return "the coordinator says: " + r.Sentence }

// ask sends a request to the coordinator and reads its answer.
func ask(ctx context.Context, coordinator, path string, config *tls.Config, request proto.Message) (*wirev1.Enrolled, error) {
	body, err := proto.Marshal(request)
	if err != nil {
		return nil, err
	}
	text, err := exchange(ctx, coordinator, http.MethodPost, path, config, body)
	if err != nil {
		return nil, err
	}
	given := &wirev1.Enrolled{}
	if err := proto.Unmarshal(text, given); err != nil {
		return nil, errors.New("the coordinator's answer can't be read")
	}
	return given, nil
}

// exchange is one question to the coordinator and its answer.
func exchange(ctx context.Context, coordinator, method, path string, config *tls.Config, body []byte) ([]byte, error) {
	if _, _, err := net.SplitHostPort(coordinator); err != nil {
		return nil, fmt.Errorf("%q is no address of a coordinator; write HOST:PORT", coordinator)
	}
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	question, err := http.NewRequestWithContext(ctx, method, "https://"+coordinator+path, bytes.NewReader(body))
	if err != nil {
		return nil, fmt.Errorf("%q is no address of a coordinator; write HOST:PORT", coordinator)
	}
	question.Header.Set("Content-Type", enrolment.ContentType)
	client := &http.Client{
		Transport:     &http.Transport{TLSClientConfig: config, DisableKeepAlives: true, Proxy: http.ProxyFromEnvironment},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	answer, err := client.Do(question)
	if err != nil {
		return nil, fmt.Errorf("no answer from the coordinator: %w", err)
	}
	defer func() { _ = answer.Body.Close() }() // it was read
	text, err := io.ReadAll(io.LimitReader(answer.Body, enrolment.MaxAnswerBytes))
	if err != nil {
		return nil, fmt.Errorf("the coordinator's answer was cut short: %w", err)
	}
	if answer.StatusCode != http.StatusOK {
		return nil, Refusal{strings.TrimSpace(string(text[:min(len(text), 500)]))}
	}
	return text, nil
}
