package weekly_test

import (
	"errors"
	"io"
	"mime"
	"mime/multipart"
	"net"
	netmail "net/mail"
	"strings"
	"sync"
	"testing"

	"github.com/emersion/go-smtp"

	"lamplighter/coordinator/weekly"
)

// office is a mail server that keeps what it takes.
type office struct {
	mu     sync.Mutex
	letter string
	answer error
}

func (o *office) NewSession(*smtp.Conn) (smtp.Session, error) { return o, nil }
func (o *office) Mail(string, *smtp.MailOptions) error        { return nil }
func (o *office) Rcpt(string, *smtp.RcptOptions) error        { return o.answer }
func (o *office) Reset()                                      {}
func (o *office) Logout() error                               { return nil }

func (o *office) Data(r io.Reader) error {
	text, err := io.ReadAll(r)
	o.mu.Lock()
	defer o.mu.Unlock()
	o.letter = string(text)
	return err
}

func TestAReportIsMailedAsPageWithThePaperAttached(t *testing.T) {
	o := &office{}
	server := smtp.NewServer(o)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go server.Serve(listener)            //nolint:errcheck // it ends with Close
	t.Cleanup(func() { server.Close() }) //nolint:errcheck // nothing is lost
	send := weekly.SMTP(weekly.Server{Server: listener.Addr().String(), TLS: "none", From: "beacons@example.org"})
	letter := weekly.Letter{
		To: "secretary@example.org", MessageID: "report-1@little-net.lamplighter", Subject: "Little Net: Week 48 of 2026", Text: "In short.",
		Page: []byte("<!DOCTYPE html><p>Tern Välley</p>"), Paper: []byte("%PDF-1.3 …"), File: "little-net-2026-W48.pdf",
	}
	if err := send(t.Context(), letter); err != nil {
		t.Fatal(err)
	}
	read, err := netmail.ReadMessage(strings.NewReader(o.letter))
	if err != nil {
		t.Fatal(err)
	}
	if read.Header.Get("Message-ID") != "<report-1@little-net.lamplighter>" || read.Header.Get("Auto-Submitted") != "auto-generated" {
		t.Errorf("the header is %v", read.Header)
	}
	if kinds := strings.Join(parts(t, read.Header.Get("Content-Type"), read.Body), " "); kinds != "text/plain text/html application/pdf" {
		t.Errorf("the parts are %s", kinds)
	}
	o.answer = &smtp.SMTPError{Code: 450, Message: "come again"}
	if err := send(t.Context(), letter); err == nil || strings.Contains(err.Error(), "refused") {
		t.Errorf("a server that asks to come again: %v", err)
	}
	o.answer = &smtp.SMTPError{Code: 550, Message: "no such person"}
	if err := send(t.Context(), letter); err == nil || !strings.Contains(err.Error(), "refused") {
		t.Errorf("a server that refuses: %v", err)
	}
}

// parts lists the kinds of the parts of a message that hold something.
func parts(t *testing.T, kind string, body io.Reader) (kinds []string) {
	t.Helper()
	media, parameters, err := mime.ParseMediaType(kind)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(media, "multipart/") {
		return []string{media}
	}
	for reader := multipart.NewReader(body, parameters["boundary"]); ; {
		part, err := reader.NextPart()
		if errors.Is(err, io.EOF) {
			return kinds
		}
		if err != nil {
			t.Fatal(err)
		}
		kinds = append(kinds, parts(t, part.Header.Get("Content-Type"), part)...)
	}
}
