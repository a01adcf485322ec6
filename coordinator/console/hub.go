package console

import (
	"bytes"
	"compress/flate"
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
	lamps   lampmaker  // used by whoever asks

	mu      sync.Mutex // guards the rest
	asked   time.Time  // when, by this process's own clock
	told    time.Time  // the time was, to those who follow
	seen    time.Time  // what is shown
	latest  batch
	version int64 // of the fleet file that the pieces show
	pieces  map[string]piece
	changed chan struct{} // closed at each batch
}

// piece is one piece and the number of the batch that made it.
type piece struct {
	html     htmlPiece
	within   string // the piece that holds this one too
	skeleton string // what a piece that holds others has of its own
	seq      uint64
}

// batch is what was new at one time, as it is sent. Its number is greater than
// that of any batch before, also of those before a restart.
type batch struct {
	seq    uint64
	text   []byte
	packed []byte
}

// shown is everything at one time.
type shown struct {
	seq    uint64
	now    time.Time
	pieces map[string]htmlPiece
}

func newHub(c *Console) *hub {
	return &hub{console: c, pieces: map[string]piece{}, changed: make(chan struct{}), latest: batch{seq: uint64(max(0, c.options.Now().Unix()))}}
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
	s := shown{seq: h.latest.seq, now: h.seen, pieces: map[string]htmlPiece{}}
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
	recent := time.Since(h.asked) < askEvery
	h.mu.Unlock()
	if recent {
		return nil
	}
	seen, err := h.console.look(ctx)
	if err != nil {
		return err
	}
	made := map[string]piece{}
	if seen.Fleet != nil {
		if made, err = h.make(seen); err != nil {
			return err
		}
	}
	h.take(seen, made)
	return nil
}

// make makes the pieces of a page.
func (h *hub) make(s sight) (map[string]piece, error) {
	made := map[string]piece{}
	if err := h.lamps.make(s, made); err != nil {
		return nil, err
	}
	for _, p := range []struct {
		id   string
		data any
	}{{"hushes", map[string]any{"Hushes": s.hushes}}, {"troubles", s.troubles()}, {"headline", s.headline()}} {
		html, err := fragment(p.id, p.data)
		if err != nil {
			return nil, err
		}
		made[p.id] = piece{html: htmlPiece(html)} //nolint:gosec // made by a template
	}
	return made, nil
}

// take notes what is new and tells everybody.
func (h *hub) take(seen sight, made map[string]piece) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.asked, h.seen = time.Now(), seen.now
	seq := h.latest.seq + 1
	if version := seen.file.GetVersion(); version != h.version {
		h.pieces = map[string]piece{} // other beacons: pages are loaded anew
		if h.version != 0 {
			h.pieces[fleetPiece] = piece{seq: seq}
		}
		h.version = version
	}
	for id, p := range made {
		p.seq = h.pieces[id].seq
		if p.differs(h.pieces[id]) {
			p.seq = seq
		}
		h.pieces[id] = p
	}
	maps.DeleteFunc(h.pieces, func(id string, _ piece) bool { _, still := made[id]; return !still && id != fleetPiece })
	text := h.newer(seq - 1)
	if h.asked.Sub(h.told) >= tellTime {
		h.told = h.asked
		text = append(text, timeEvent(seen.now)...)
	}
	if len(text) > 0 {
		h.latest = batch{seq: seq, text: append(text, endOfBatch(seq)...)}
		h.latest.packed = pack(h.latest.text)
		close(h.changed)
		h.changed = make(chan struct{})
	}
}

// fleetPiece says that other beacons are looked after by now.
const fleetPiece = "fleet"

// differs says whether a viewer must be told of a piece, knowing the one before.
// Of one that holds others, these are told themselves.
func (p piece) differs(before piece) bool {
	if p.skeleton != "" {
		return p.skeleton != before.skeleton
	}
	return p.html != before.html || before.seq == 0
}

// newer are the events of all pieces that are newer than a batch.
func (h *hub) newer(seq uint64) (events []byte) {
	for _, id := range slices.Sorted(maps.Keys(h.pieces)) {
		if p := h.pieces[id]; p.seq > seq && (p.within == "" || h.pieces[p.within].seq <= seq) {
			events = append(events, pieceEvent(id, string(p.html))...)
		}
	}
	return events
}

// since gives what is newer than a batch, and what tells of the next one.
func (h *hub) since(seq uint64) (next batch, changed <-chan struct{}) {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case seq == h.latest.seq:
		return batch{seq: seq}, h.changed
	case seq == h.latest.seq-1:
		return h.latest, h.changed
	case seq > h.latest.seq: // from no hub that was ever here
		seq = 0
	}
	events := append(h.newer(seq), timeEvent(h.seen)...)
	events = append(events, endOfBatch(h.latest.seq)...)
	return batch{seq: h.latest.seq, text: events, packed: pack(events)}, h.changed
}

// packers are kept, as each is large.
var packers = sync.Pool{New: func() any {
	packer, err := flate.NewWriter(nil, flate.DefaultCompression)
	if err != nil {
		panic(err) // the level is one of the library's own
	}
	return packer
}}

// pack compresses a text so that it fits behind any other that was packed: it
// refers to nothing before it, and ends on a whole byte without ending the
// stream (RFC 1951, 3.2.4). So what a thousand viewers are sent is packed once.
func pack(text []byte) []byte {
	var packed bytes.Buffer
	packer, _ := packers.Get().(*flate.Writer)
	defer packers.Put(packer)
	packer.Reset(&packed)
	_, _ = packer.Write(text) // a buffer takes everything
	_ = packer.Flush()
	return packed.Bytes()
}
