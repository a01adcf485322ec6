package console

import (
	"cmp"
	"context"
	"html/template"
	"maps"
	"slices"
	"sync"
	"time"
)

// askEvery is how old what viewers see may be before somebody asks again.
const askEvery = time.Second

// htmlPiece is a piece of a page, made already.
type htmlPiece = template.HTML

// hub keeps what every viewer is to see.
type hub struct {
	console *Console
	asking  sync.Mutex // held by whoever asks

	mu      sync.Mutex // guards the rest
	asked   time.Time
	seq     uint64 // the number of the latest change
	version int64  // of the fleet file that the pieces show
	pieces  map[string]piece
	changed chan struct{} // closed at each change
}

// piece is one piece and the number of the change that made it.
type piece struct {
	html  htmlPiece
	seq   uint64
	event []byte // as it is sent
}

// shown is everything at one time.
type shown struct {
	seq    uint64
	now    time.Time
	pieces map[string]htmlPiece
}

func newHub(c *Console) *hub {
	return &hub{console: c, pieces: map[string]piece{}, changed: make(chan struct{})}
}

// present gives everything, not older than a second.
func (h *hub) present(ctx context.Context) (shown, error) {
	h.asking.Lock()
	err := h.ask(ctx)
	h.asking.Unlock()
	if err != nil {
		return shown{}, err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	s := shown{seq: h.seq, now: h.asked, pieces: map[string]htmlPiece{}}
	for id, p := range h.pieces {
		s.pieces[id] = p.html
	}
	return s, nil
}

// freshen asks again where it is time to and nobody else is about to.
func (h *hub) freshen(ctx context.Context) error {
	if !h.asking.TryLock() {
		return nil
	}
	defer h.asking.Unlock()
	return h.ask(ctx)
}

// ask asks the services with the rights of whoever looks on.
func (h *hub) ask(ctx context.Context) error {
	h.mu.Lock()
	recent := h.console.options.Now().Sub(h.asked) < askEvery && h.asked.After(time.Time{})
	h.mu.Unlock()
	if recent {
		return nil
	}
	seen, err := h.console.look(ctx)
	if err != nil {
		return err
	}
	made := map[string]htmlPiece{}
	if seen.Fleet != nil {
		if made, err = seen.pieces(); err != nil {
			return err
		}
	}
	h.take(seen, made)
	return nil
}

// pieces makes the pieces of a page.
func (s sight) pieces() (map[string]htmlPiece, error) {
	made := map[string]htmlPiece{}
	add := func(id, name string, data any) error {
		html, err := fragment(name, data)
		made[id] = htmlPiece(html) //nolint:gosec // made by a template
		return err
	}
	for _, b := range s.beacons {
		l := s.lamp(b)
		if err := add(l.Anchor(), "lamp", map[string]any{"Lamp": l, "Now": s.now}); err != nil {
			return nil, err
		}
	}
	if err := add("hushes", "hushes", map[string]any{"Hushes": s.hushes}); err != nil {
		return nil, err
	}
	if err := add("troubles", "troubles", s.troubles()); err != nil {
		return nil, err
	}
	return made, add("headline", "headline", s.headline())
}

// take notes what is new and tells everybody.
func (h *hub) take(seen sight, made map[string]htmlPiece) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.asked = seen.now
	before := h.seq
	if version := seen.file.GetVersion(); version != h.version {
		h.pieces = map[string]piece{} // other beacons: pages are loaded anew
		if h.version != 0 {
			h.seq++
			h.pieces["fleet"] = piece{seq: h.seq, event: event(h.seq, "fleet", "")}
		}
		h.version = version
	}
	for id, html := range made {
		if h.pieces[id].html != html {
			h.seq++
			h.pieces[id] = piece{html: html, seq: h.seq, event: event(h.seq, id, string(html))}
		}
	}
	maps.DeleteFunc(h.pieces, func(id string, _ piece) bool { _, still := made[id]; return !still && id != "fleet" })
	if h.seq != before {
		close(h.changed)
		h.changed = make(chan struct{})
	}
}

// since gives the events of all that is newer than a change, the number of the
// latest one, and what tells of the next.
func (h *hub) since(seq uint64) (events [][]byte, latest uint64, changed <-chan struct{}) {
	h.mu.Lock()
	defer h.mu.Unlock()
	var newer []piece
	for _, p := range h.pieces {
		if p.seq > seq || seq > h.seq { // a number from before a restart says nothing
			newer = append(newer, p)
		}
	}
	// In order, so that a viewer that is cut off knows how far it came.
	slices.SortFunc(newer, func(a, b piece) int { return cmp.Compare(a.seq, b.seq) })
	for _, p := range newer {
		events = append(events, p.event)
	}
	return events, h.seq, h.changed
}
