package deliver

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
)

const key = "sixteen-characters-or-more"

// receiver is a program that takes messages, each dealt with by the next order.
type receiver struct {
	*httptest.Server
	mu       sync.Mutex
	orders   []int  // status; 0: no answer
	reached  func() // called before there is none
	messages []Parcel
	wrong    []string
}

func newReceiver(t *testing.T, orders ...int) *receiver {
	r := &receiver{orders: orders}
	r.Server = httptest.NewServer(r)
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, request *http.Request) {
	body, _ := io.ReadAll(request.Body)
	var p Parcel
	r.mu.Lock()
	if err := json.Unmarshal(body, &p); err != nil || request.Header.Get("Lamplighter-Signature") != Sign(key, body) {
		r.wrong = append(r.wrong, string(body))
	}
	r.messages = append(r.messages, p)
	status := http.StatusNoContent
	if len(r.orders) > 0 {
		status, r.orders = r.orders[0], r.orders[1:]
	}
	r.mu.Unlock()
	if status == 0 {
		r.reached()
		<-request.Context().Done() // until the other side hangs up
		return
	}
	w.WriteHeader(status)
}

func TestAWebhookIsToldUntilItAnswersClearly(t *testing.T) {
	s := newStage(t, Settings{})
	for _, c := range []struct {
		name              string
		orders            []int
		state             string
		attempts, unclear int
	}{
		{"at once", nil, "accepted", 1, 0},
		{"first try fails", []int{503}, "accepted", 2, 0},
		{"no answer", []int{0}, "accepted", 2, 1},
		{"refused", []int{400}, "undelivered", 1, 0},
		{"sent elsewhere", []int{302}, "undelivered", 1, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newReceiver(t, c.orders...)
			s.queue.carrier.settings.Webhooks = map[string]Hook{"own": {r.URL, key}}
			trying, givenUp := context.WithCancel(t.Context())
			defer givenUp()
			r.reached = givenUp
			number := s.tell("program")
			s.attempt(trying, number)
			m := s.carry(number, nil)
			if m.State != c.state || m.Attempts != c.attempts || m.Unclear != c.unclear || len(r.messages) != c.attempts || len(r.wrong) > 0 {
				t.Errorf("%+v; got %+v; wrong %v", m, r.messages, r.wrong)
			}
			for _, p := range r.messages {
				if p.Message != m.Message || p.Event != "began" || p.Network != "trial" {
					t.Errorf("got %+v", p)
				}
			}
		})
	}
}

// RFC 4231, 4.3: test case 2 of HMAC-SHA-256.
func TestSignature(t *testing.T) {
	const want = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
	if got := Sign("Jefe", []byte("what do ya want for nothing?")); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func TestTheTopicAndAServiceHearToo(t *testing.T) {
	r := newReceiver(t)
	r.Config.Handler = http.HandlerFunc(func(_ http.ResponseWriter, request *http.Request) {
		body, _ := io.ReadAll(request.Body)
		r.mu.Lock()
		r.wrong = append(r.wrong, string(body))
		r.mu.Unlock()
	})
	at, _ := url.Parse(r.URL)
	s := newStage(t, Settings{Services: map[string]string{"room": "generic://" + at.Host + "/?disabletls=yes"}})
	if m := s.carry(s.tell("wire"), nil); m.State != "accepted" {
		t.Errorf("%+v", m)
	}
	if sent := <-s.sent; sent.Topic != "lamplighter/v1/trial/alerts" || !strings.Contains(string(sent.Payload), `"event":"began"`) || sent.Retained {
		t.Errorf("published %s on %s", sent.Payload, sent.Topic)
	}
	if m := s.carry(s.tell("chat"), nil); m.State != "accepted" || len(r.wrong) != 1 || !strings.Contains(r.wrong[0], "GPS lock lost") {
		t.Errorf("%+v; the room heard %v", m, r.wrong)
	}
}
