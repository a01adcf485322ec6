package deliver

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"time"
)

// Parcel is a message as programs get it, in JSON. The same message has the same
// number each time it is sent.
type Parcel struct {
	Network   string    `json:"network"`
	Message   int64     `json:"message"`
	Alert     int64     `json:"alert"` // 0: a trial
	Event     string    `json:"event"` // began, more_urgent, comes_and_goes, over, trial
	Recipient string    `json:"recipient"`
	Subject   string    `json:"subject"`
	Text      string    `json:"text"`
	MadeAt    time.Time `json:"made_at"`
}

// Headers of a message to a program.
const (
	messageHeader   = "Lamplighter-Message"   // its number
	signatureHeader = "Lamplighter-Signature" // HMAC-SHA-256 of the body with the key, hexadecimal
)

// Sign gives the signature of a body.
func Sign(key string, body []byte) string {
	mac := hmac.New(sha256.New, []byte(key))
	mac.Write(body)
	return hex.EncodeToString(mac.Sum(nil))
}

// newHTTP is a client that goes where it is told and nowhere else.
func newHTTP(within time.Duration) *http.Client {
	return &http.Client{
		Timeout:       within,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport:     &http.Transport{DisableKeepAlives: true, TLSHandshakeTimeout: 10 * time.Second},
	}
}

// hand makes one attempt at handing a message to a program.
func hand(ctx context.Context, client *http.Client, to Hook, m Parcel) Outcome {
	body, err := json.Marshal(m)
	if err != nil {
		return outcome(Refused, "%v", err)
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, to.URL, bytes.NewReader(body))
	if err != nil {
		return outcome(Refused, "the webhook's address can't be used")
	}
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set(messageHeader, jsonNumber(m.Message))
	request.Header.Set(signatureHeader, Sign(to.Key, body))
	answer, err := client.Do(request)
	if err != nil {
		var dialing *net.OpError
		if errors.As(err, &dialing) && dialing.Op == "dial" {
			return outcome(Later, "the webhook was not reached: %v", dialing)
		}
		return outcome(Unclear, "the webhook did not say whether it has it: %v", errors.Unwrap(err))
	}
	defer answer.Body.Close() //nolint:errcheck // its status is all that counts
	_, _ = io.Copy(io.Discard, io.LimitReader(answer.Body, 1<<16))
	return judgeStatus(answer.StatusCode)
}

// judgeStatus reads the status of an answer (RFC 9110, section 15).
func judgeStatus(status int) Outcome {
	switch {
	case status >= 200 && status < 300:
		return outcome(Accepted, "the webhook answered %d", status)
	case status == http.StatusGatewayTimeout:
		return outcome(Unclear, "the webhook answered %d: what stands before it does not know", status)
	case status >= 500 || status == http.StatusTooManyRequests || status == http.StatusRequestTimeout:
		return outcome(Later, "the webhook answered %d", status)
	}
	return outcome(Refused, "the webhook answered %d", status)
}

func jsonNumber(n int64) string {
	text, _ := json.Marshal(n) //nolint:errchkjson // a number
	return string(text)
}
