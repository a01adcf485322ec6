package weekly

import (
	"bytes"
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
const mailWithin = time.Minute

// Server is the mail server that takes the letters.
type Server struct {
	Server    string // HOST:PORT
	TLS       string // starttls (also where empty), implicit, or none on this computer
	Authority string // file with the certificate that the server's was signed with; empty: a public one
	From      string
	User      string // empty: without logging in
	Password  string
}

// SMTP sends letters through a server.
func SMTP(settings Server) func(context.Context, Letter) error {
	return func(ctx context.Context, l Letter) error {
		message, err := compose(settings.From, l)
		if err != nil {
			return Final(err)
		}
		client, err := clientFor(settings)
		if err != nil {
			return err
		}
		ctx, cancel := context.WithTimeout(ctx, mailWithin)
		defer cancel()
		if err := client.DialWithContext(ctx); err != nil {
			return fmt.Errorf("the mail server was not reached: %w", err)
		}
		err = client.Send(message)
		_ = client.Close() // the server has answered or not
		var sending *mail.SendError
		switch {
		case err == nil || message.IsDelivered():
			return nil
		case errors.As(err, &sending) && sending.ErrorCode() >= 500:
			return Final(fmt.Errorf("the mail server refused it: %w", err))
		}
		return fmt.Errorf("the mail server did not take it: %w", err)
	}
}

// compose writes a letter as mail: text and page as alternatives, the paper
// attached.
func compose(from string, l Letter) (*mail.Msg, error) {
	m := mail.NewMsg()
	if err := errors.Join(m.From(from), m.To(l.To)); err != nil {
		return nil, err
	}
	m.Subject(l.Subject)
	m.SetMessageIDWithValue(l.MessageID)
	m.SetDate()
	m.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834
	m.SetBodyString(mail.TypeTextPlain, l.Text)
	m.AddAlternativeString(mail.TypeTextHTML, string(l.Page))
	return m, m.AttachReader(l.File, bytes.NewReader(l.Paper), mail.WithFileContentType("application/pdf"))
}

func clientFor(settings Server) (*mail.Client, error) {
	host, portText, err := net.SplitHostPort(settings.Server)
	if err != nil {
		return nil, err
	}
	port, err := strconv.Atoi(portText)
	if err != nil {
		return nil, err
	}
	trusted := &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12}
	if settings.Authority != "" {
		text, err := os.ReadFile(settings.Authority)
		if err != nil {
			return nil, err
		}
		if trusted.RootCAs = x509.NewCertPool(); !trusted.RootCAs.AppendCertsFromPEM(text) {
			return nil, fmt.Errorf("%s holds no certificate", settings.Authority)
		}
	}
	options := []mail.Option{mail.WithPort(port), mail.WithTimeout(mailWithin), mail.WithTLSConfig(trusted)}
	switch settings.TLS {
	case "implicit":
		options = append(options, mail.WithSSL())
	case "none":
		options = append(options, mail.WithTLSPolicy(mail.NoTLS))
	default:
		options = append(options, mail.WithTLSPolicy(mail.TLSMandatory))
	}
	if settings.User != "" {
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(settings.User), mail.WithPassword(settings.Password))
	}
	return mail.NewClient(host, options...)
}
