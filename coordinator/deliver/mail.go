package deliver

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"time"

	"github.com/wneessen/go-mail"
)

// mailWithin is how long a server may take for one mail.
const mailWithin = 30 * time.Second

// post brings mail to a server.
type post struct {
	settings Mail
	within   time.Duration
	dial     func(ctx context.Context, network, address string) (net.Conn, error) // nil: as the settings say
}

// client makes a client for one mail. When ctx ends its connection does, in the
// middle of whatever it waits for.
func (p post) client(ctx context.Context) (*mail.Client, error) {
	host, portText, err := net.SplitHostPort(p.settings.Server)
	if err != nil {
		return nil, err
	}
	port, err := strconv.Atoi(portText)
	if err != nil {
		return nil, err
	}
	roots, err := p.roots()
	if err != nil {
		return nil, err
	}
	secure := &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12, RootCAs: roots}
	dial := p.dial
	switch {
	case dial != nil:
	case p.settings.TLS == "implicit":
		dial = (&tls.Dialer{Config: secure}).DialContext
	default:
		dial = (&net.Dialer{}).DialContext
	}
	options := []mail.Option{
		mail.WithPort(port), mail.WithTimeout(p.within), mail.WithTLSConfig(secure),
		mail.WithDialContextFunc(func(dialing context.Context, network, address string) (net.Conn, error) {
			conn, err := dial(dialing, network, address)
			if err == nil {
				context.AfterFunc(ctx, func() { _ = conn.Close() })
			}
			return conn, err
		}),
	}
	switch p.settings.TLS {
	case "implicit":
		options = append(options, mail.WithSSL())
	case "none":
		options = append(options, mail.WithTLSPolicy(mail.NoTLS))
	default:
		options = append(options, mail.WithTLSPolicy(mail.TLSMandatory))
	}
	if p.settings.User != "" {
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover),
			mail.WithUsername(p.settings.User), mail.WithPassword(p.settings.Password))
	}
	return mail.NewClient(host, options...)
}

// roots are the certificates that the server's is checked with; nil: those of
// this computer.
func (p post) roots() (*x509.CertPool, error) {
	if p.settings.Authority == "" {
		return nil, nil
	}
	text, err := os.ReadFile(p.settings.Authority)
	if err != nil {
		return nil, err
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(text) {
		return nil, fmt.Errorf("%s holds no certificate", p.settings.Authority)
	}
	return roots, nil
}

// letter is a message as mail. All that identifies it is the same each time it
// is sent; all messages of an alert name the same thread.
func (p post) letter(to string, m Parcel) (*mail.Msg, error) {
	letter := mail.NewMsg()
	if err := letter.From(p.settings.From); err != nil {
		return nil, err
	}
	if err := letter.To(to); err != nil {
		return nil, err
	}
	letter.Subject(m.Subject)
	letter.SetMessageIDWithValue(fmt.Sprintf("message-%d@%s.lamplighter", m.Message, m.Network))
	letter.SetDateWithValue(m.MadeAt)
	letter.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834
	if m.Alert != 0 {
		thread := fmt.Sprintf("<alert-%d@%s.lamplighter>", m.Alert, m.Network)
		letter.SetGenHeader(mail.HeaderInReplyTo, thread)
		letter.SetGenHeader(mail.HeaderReferences, thread)
	}
	letter.SetBodyString(mail.TypeTextPlain, m.Text)
	return letter, nil
}

// send makes one attempt.
func (p post) send(ctx context.Context, to string, m Parcel) Outcome {
	letter, err := p.letter(to, m)
	if err != nil {
		return outcome(Refused, "the mail can't be written: %v", err)
	}
	client, err := p.client(ctx)
	if err != nil {
		return outcome(Later, "the mail server's settings are wrong: %v", err)
	}
	if err := client.DialWithContext(ctx); err != nil {
		return outcome(Later, "the mail server was not reached: %v", err)
	}
	err = client.Send(letter)
	_ = client.Close() // the server has answered or not
	return judgeMail(letter, err)
}

// judgeMail reads the end of an attempt. Only after the text was given does
// silence leave open whether the server has it (RFC 5321, 4.5.3.2.6).
func judgeMail(letter *mail.Msg, err error) Outcome {
	var sending *mail.SendError
	switch {
	case err == nil || letter.IsDelivered():
		return outcome(Accepted, "the mail server has accepted it")
	case !errors.As(err, &sending):
		return outcome(Unclear, "%v", err)
	case sending.ErrorCode() >= 500:
		return outcome(Refused, "the mail server refused it: %v", err)
	case sending.ErrorCode() >= 400:
		return outcome(Later, "the mail server asked to come again: %v", err)
	case sending.Reason == mail.ErrWriteContent || sending.Reason == mail.ErrSMTPDataClose:
		return outcome(Unclear, "the mail server did not say whether it has it: %v", err)
	}
	return outcome(Later, "the mail server did not take it: %v", err)
}
