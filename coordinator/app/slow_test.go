package app_test

import (
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"sync"
	"testing"
	"time"

	"lamplighter/coordinator/app"
	"lamplighter/proto/enrolment"
)

// Whoever connects and then says nothing, or stops half-way, is cut off, and
// others are answered meanwhile.
func TestSlowClientsAreCutOff(t *testing.T) {
	o := options(t)
	o.Secure = app.Secure{On: true, Devices: "127.0.0.1:0"}
	at := start(t, o).Addr()
	// Nobody is to be known here: what counts is that there is an end.
	anybody := &tls.Config{InsecureSkipVerify: true, NextProtos: []string{"http/1.1"}} //nolint:gosec // see above
	caller := &tls.Config{InsecureSkipVerify: true, NextProtos: []string{"h2"}}        //nolint:gosec // see above
	var waiting sync.WaitGroup
	for name, c := range map[string]struct {
		address string
		encrypt *tls.Config // nil: not a word of TLS
		says    string
	}{
		"devices, not a word":              {at.Devices, nil, ""},
		"devices, half a handshake":        {at.Devices, nil, "\x16\x03\x01"},
		"devices, nothing after it":        {at.Devices, anybody, ""},
		"devices, half a header":           {at.Devices, anybody, "POST " + enrolment.EnrolPath + " HTTP/1.1\r\nHost: "},
		"devices, a body that never comes": {at.Devices, anybody, "POST " + enrolment.EnrolPath + " HTTP/1.1\r\nHost: a\r\nContent-Length: 100\r\n\r\n"},
		"gRPC, not a word":                 {at.GRPC, nil, ""},
		"gRPC, nothing after it":           {at.GRPC, caller, ""},
		"gRPC, half a preface":             {at.GRPC, caller, "PRI * HTTP/2.0\r\n"},
		"pages, half a header":             {at.HTTP, anybody, "GET /healthz HTTP/1.1\r\n"},
	} {
		conn, err := net.Dial("tcp", c.address)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close() })
		waiting.Go(func() {
			if err := untilCutOff(conn, c.encrypt, c.says); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		})
	}
	quick := &http.Client{Transport: &http.Transport{TLSClientConfig: anybody, DisableKeepAlives: true}}
	answer, err := quick.Post("https://"+at.Devices+enrolment.EnrolPath, enrolment.ContentType, http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	_ = answer.Body.Close()
	if answer.StatusCode != http.StatusForbidden && answer.StatusCode != http.StatusBadRequest {
		t.Errorf("beside them a device without a permit gets %s", answer.Status)
	}
	waiting.Wait()
}

// untilCutOff says something and reads until the other side ends the
// connection.
func untilCutOff(conn net.Conn, encrypt *tls.Config, says string) error {
	if err := conn.SetDeadline(time.Now().Add(2 * time.Minute)); err != nil {
		return err
	}
	if encrypt != nil {
		conn = tls.Client(conn, encrypt)
	}
	if _, err := io.WriteString(conn, says); err != nil {
		return fmt.Errorf("before it could say anything: %w", err)
	}
	if _, err := io.Copy(io.Discard, conn); errors.Is(err, os.ErrDeadlineExceeded) {
		return errors.New("it is still connected after two minutes")
	}
	return nil
}
