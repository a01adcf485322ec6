package console

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"lamplighter/coordinator/fault"
)

// How often a viewer is told the time, and how long it may take to hear it.
const (
	tellTime   = 5 * time.Second
	heardAfter = 10 * time.Second
)

// mostViewers bounds the live views at once.
const mostViewers = 2000

// event is a server-sent event (HTML Living Standard, section 9.2): a piece by
// its id in the page. JSON keeps it on one line.
func event(seq uint64, id, html string) []byte {
	var text bytes.Buffer
	encoder := json.NewEncoder(&text)
	encoder.SetEscapeHTML(false) // nothing reads it as HTML before it is taken out
	if encoder.Encode(map[string]string{"id": id, "html": html}) != nil {
		return nil // strings can be written
	}
	return fmt.Appendf(nil, "id: %d\nevent: piece\ndata: %s\n", seq, text.Bytes()) // which ends its line
}

// serveLive sends what changes until the viewer leaves. It begins at the change
// that the viewer has seen: by Last-Event-ID when it comes back.
func (c *Console) serveLive(w http.ResponseWriter, r *http.Request) error {
	seen, _ := strconv.ParseUint(r.FormValue("since"), 10, 64) // 0: everything
	if back, err := strconv.ParseUint(r.Header.Get("Last-Event-ID"), 10, 64); err == nil {
		seen = back
	}
	if c.viewing.Add(1) > mostViewers {
		c.viewing.Add(-1)
		return fault.New(fault.Unavailable, "", "too many live views are open")
	}
	c.views.Add(1)
	defer c.views.Done()
	defer c.viewing.Add(-1)
	w.Header().Set("Content-Type", "text/event-stream")
	w.WriteHeader(http.StatusOK)
	v := viewer{console: c, out: w, control: http.NewResponseController(w), seen: seen}
	v.follow(r)
	return nil
}

// viewer is one live view.
type viewer struct {
	console *Console
	out     http.ResponseWriter
	control *http.ResponseController
	seen    uint64
}

// follow ends when the viewer does, the console does, or what is sent does not
// arrive.
func (v *viewer) follow(r *http.Request) {
	timeTold, again := time.Time{}, time.NewTicker(askEvery)
	defer again.Stop()
	for {
		err := v.console.hub.freshen(r.Context())
		if r.Context().Err() != nil || v.console.permit(r, Look) != nil {
			return
		}
		events, latest, changed := v.console.hub.since(v.seen)
		v.seen = latest
		if now := time.Now(); err == nil && now.Sub(timeTold) >= tellTime {
			timeTold = now
			events = append(events, fmt.Appendf(nil, "event: time\ndata: %d\n\n", v.console.options.Now().UnixMilli()))
		}
		if !v.send(events) {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-v.console.ended.Done():
			return
		case <-changed:
		case <-again.C:
		}
	}
}

func (v *viewer) send(events [][]byte) bool {
	if len(events) == 0 {
		return true
	}
	if v.control.SetWriteDeadline(time.Now().Add(heardAfter)) != nil {
		return false
	}
	for _, e := range events {
		if _, err := v.out.Write(e); err != nil {
			return false
		}
	}
	return v.control.Flush() == nil
}
