package console

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"lamplighter/coordinator/fault"
)

// How often viewers are told the time, and how long one may take to hear it.
const (
	tellTime   = 5 * time.Second
	heardAfter = 10 * time.Second
)

// mostViewers bounds the live views at once.
const mostViewers = 2000

// pieceEvent is a server-sent event (HTML Living Standard, section 9.2): a piece
// by its id in the page. JSON keeps it on one line.
func pieceEvent(id, html string) []byte {
	var text bytes.Buffer
	encoder := json.NewEncoder(&text)
	encoder.SetEscapeHTML(false) // nothing reads it as HTML before it is taken out
	if encoder.Encode(map[string]string{"id": id, "html": html}) != nil {
		return nil // strings can be written
	}
	return fmt.Appendf(nil, "event: piece\ndata: %s\n", text.Bytes()) // which ends its line
}

// timeEvent tells the time.
func timeEvent(now time.Time) []byte {
	return fmt.Appendf(nil, "event: time\ndata: %d\n\n", now.UnixMilli())
}

// endOfBatch tells a browser how far it has come, once it has all of a batch: what
// is cut off before is sent again.
func endOfBatch(seq uint64) []byte {
	return fmt.Appendf(nil, "id: %d\nevent: batch\ndata: %d\n\n", seq, seq)
}

// gzipHeader begins a compressed stream (RFC 1952, 2.3): of no file, of no time,
// made anywhere. The stream has no end of its own: it ends with the connection.
const gzipHeader = "\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff"

// serveLive sends what changes until the viewer leaves. It begins at the batch
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
	v := viewer{console: c, out: w, control: http.NewResponseController(w), seen: seen}
	v.packs = strings.Contains(r.Header.Get("Accept-Encoding"), "gzip")
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Add("Vary", "Accept-Encoding")
	if v.packs {
		w.Header().Set("Content-Encoding", "gzip")
	}
	w.WriteHeader(http.StatusOK)
	if v.packs && !v.send([]byte(gzipHeader)) {
		return nil
	}
	v.follow(r)
	return nil
}

// viewer is one live view.
type viewer struct {
	console *Console
	out     http.ResponseWriter
	control *http.ResponseController
	packs   bool // it takes what is compressed
	seen    uint64
}

// follow ends when the viewer does, the console does, or what is sent does not
// arrive. Where nobody answers nothing is said, and the viewer sees that.
func (v *viewer) follow(r *http.Request) {
	again := time.NewTicker(askEvery)
	defer again.Stop()
	for {
		_ = v.console.hub.freshen(r.Context()) // nothing is told then
		if r.Context().Err() != nil || v.console.permit(r, Look) != nil {
			return
		}
		next, changed := v.console.hub.since(v.seen)
		v.seen = next.seq
		text := next.text
		if v.packs {
			text = next.packed
		}
		if !v.send(text) {
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

func (v *viewer) send(text []byte) bool {
	if len(text) == 0 {
		return true
	}
	if v.control.SetWriteDeadline(time.Now().Add(heardAfter)) != nil {
		return false
	}
	if _, err := v.out.Write(text); err != nil {
		return false
	}
	return v.control.Flush() == nil
}
