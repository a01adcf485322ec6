package deliver

import (
	"bufio"
	"context"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// silentAfter is a mail server that says its lines, one for each that it hears,
// and then nothing any more; after DATA it hears the whole mail first.
func silentAfter(conn net.Conn, lines ...string) {
	heard := bufio.NewReader(conn)
	for _, line := range lines {
		if _, err := io.WriteString(conn, line+"\r\n"); err != nil {
			return
		}
		end := "\n"
		if strings.HasPrefix(line, "354") {
			end = "\r\n.\r\n"
		}
		for said := ""; !strings.HasSuffix(said, end); {
			b, err := heard.ReadByte()
			if err != nil {
				return
			}
			said += string(b)
		}
	}
	_, _ = io.Copy(io.Discard, conn) // until the other side hangs up
}

// A server that falls silent is given up after 30 s, in virtual time. Only where
// it has heard the whole mail is it unclear whether it has it (RFC 5321,
// 4.5.3.2.6).
func TestAServerThatFallsSilentIsGivenUp(t *testing.T) {
	said := []string{"220 office.example", "250 office.example", "250 OK", "250 OK", "250 OK", "354 go on"}
	for heard := range len(said) + 1 {
		synctest.Test(t, func(t *testing.T) {
			here, there := net.Pipe()
			done := make(chan struct{})
			go func() { defer close(done); silentAfter(there, said[:heard]...) }()
			p := post{settings: Mail{Server: "127.0.0.1:25", TLS: "none", From: "alerts@club.example"}, within: mailWithin}
			p.dial = func(context.Context, string, string) (net.Conn, error) { return here, nil }
			began := time.Now()
			got := p.send(t.Context(), "ada@club.example", Parcel{Network: "trial", Message: 7, Subject: "s", Text: "t", MadeAt: began})
			want := Later
			if heard == len(said) {
				want = Unclear
			}
			if took := time.Since(began); got.Answer != want || took < mailWithin || took > attemptTakes {
				t.Errorf("silent after %d lines: %+v after %s, want %s", heard, got, took, want)
			}
			_, _ = here.Close(), there.Close()
			<-done
		})
	}
}

// The same for a webhook.
func TestAWebhookThatFallsSilentIsGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		here, there := net.Pipe()
		done := make(chan struct{})
		go func() { defer close(done); _, _ = io.Copy(io.Discard, there) }()
		client := newHTTP(mailWithin)
		client.Transport = &http.Transport{DisableKeepAlives: true, DialContext: func(context.Context, string, string) (net.Conn, error) { return here, nil }}
		began := time.Now()
		got := hand(t.Context(), client, Hook{"http://127.0.0.1/hook", key}, Parcel{Message: 7})
		if took := time.Since(began); got.Answer != Unclear || took != mailWithin {
			t.Errorf("%+v after %s", got, took)
		}
		_, _ = here.Close(), there.Close()
		<-done
	})
}
