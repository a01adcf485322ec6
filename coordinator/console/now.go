package console

import (
	"context"
	"net/http"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/fleet"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/onair/wspr"
)

// ahead is how many slots of each beacon the page shows, the present one first.
const ahead = 12

// The limits of a clock's error: what is worth a warning, and what mutes.
const (
	clockWarn  = 0.1
	clockLimit = 0.5
)

// lamp is a beacon as the page shows it.
type lamp struct {
	*apiv1.Beacon
	Callsign string
	condition
	Why   string // it needs somebody, in words
	Stave *stave // while on the air
	Cells []cell
	Bad   string // "", warn or bad: the clock's error
}

// Gauge is where the clock's error stands on its scale of a hundred.
func (l lamp) Gauge() int { return gauge(l.GetClockErrorSeconds()) }

// Anchor names the lamp in the page.
func (l lamp) Anchor() string { return "lamp-" + l.GetBeacon() }

// cell is one of a beacon's slots.
type cell struct {
	X      int
	Band   string // empty: silent
	Start  time.Time
	Ending string
}

// stave shows the tones of a transmission, on four lines.
type stave struct {
	Path string // 162 by 4 units
	Band string
	Hz   float64
	// When the first symbol started and the last one ends.
	From, Until time.Time
}

// nowPage is the page of what is on the air.
type nowPage struct {
	Headline htmlPiece
	Troubles htmlPiece
}

// headline says in three sentences what a person wants to know first.
type headline struct {
	OnAir, Trouble, Hushed []lamp
	Next                   *lamp
	All                    int
}

// sight is everything that the page shows, at one time.
type sight struct {
	network
	beacons []*apiv1.Beacon
	hushes  []*apiv1.HushInForce
	alerts  *apiv1.ListAlertsResponse
	slots   map[string][]*apiv1.LedgerSlot
	first   slot.Number // the present slot
	now     time.Time
}

func (c *Console) look(ctx context.Context) (sight, error) {
	s := sight{now: c.options.Now().UTC(), slots: map[string][]*apiv1.LedgerSlot{}}
	var err error
	if s.network, err = c.network(ctx); err != nil || s.Fleet == nil {
		return s, err
	}
	s.first = s.Network.Slot.At(s.now)
	listed, err := c.beacons.ListBeacons(ctx, &apiv1.ListBeaconsRequest{})
	if err != nil {
		return s, err
	}
	s.beacons = listed.GetBeacons()
	for _, b := range s.beacons {
		if b.ClockErrorSeconds != nil { // it grows all the time, and is only a bound
			b.ClockErrorSeconds = proto.Float64(roundUp(b.GetClockErrorSeconds()))
		}
	}
	hushes, err := c.hushes.ListHushes(ctx, &apiv1.ListHushesRequest{})
	if err != nil {
		return s, err
	}
	s.hushes = hushes.GetHushes()
	if s.alerts, err = c.alerts.ListAlerts(ctx, &apiv1.ListAlertsRequest{}); err != nil {
		return s, err
	}
	ordered, err := c.slots(ctx, "", s.Network.Slot.Start(s.first), s.Network.Slot.Start(s.first+ahead))
	if err != nil {
		return s, err
	}
	for _, x := range ordered.GetSlots() {
		s.slots[x.GetBeacon()] = append(s.slots[x.GetBeacon()], x)
	}
	return s, nil
}

// brief is one beacon in a sentence.
func (s sight) brief(b *apiv1.Beacon) lamp {
	l := lamp{Beacon: b, condition: conditions[b.GetState()]}
	if l.Needs {
		l.Why = s.why(b)
	}
	return l
}

// lamp is one beacon.
func (s sight) lamp(b *apiv1.Beacon) lamp {
	l := s.brief(b)
	for i := range slot.Number(ahead) {
		l.Cells = append(l.Cells, cell{X: int(i), Start: s.Network.Slot.Start(s.first + i)})
	}
	var present *apiv1.LedgerSlot
	for _, x := range s.slots[b.GetBeacon()] {
		if at := x.GetSlot() - int64(s.first); at >= 0 && at < ahead {
			l.Cells[at].Band, l.Cells[at].Ending = x.GetBand(), endingWord(x.GetEnding())
			if at == 0 {
				present = x
			}
		}
	}
	if b.ClockErrorSeconds != nil {
		switch e := b.GetClockErrorSeconds(); {
		case e > clockLimit:
			l.Bad = "bad"
		case e > clockWarn:
			l.Bad = "warn"
		}
	}
	if known := s.Beacon(b.GetBeacon()); known != nil {
		l.Callsign = known.Callsign
		if use, uses := known.Use(b.GetBand()); uses {
			if b.GetOnAir() {
				l.Stave = s.stave(known, use, b, present)
			}
		}
	}
	return l
}

// why says what is wrong with a beacon.
func (s sight) why(b *apiv1.Beacon) string {
	switch b.GetState() {
	case apiv1.BeaconState_BEACON_STATE_NEVER_SEEN:
		return "its agent was never heard"
	case apiv1.BeaconState_BEACON_STATE_LOST, apiv1.BeaconState_BEACON_STATE_LATE:
		return "not heard since " + clockTime(b.GetLastSeen().AsTime())
	}
	return reason(b.GetMuteReason())
}

// stave draws the tones of what a beacon sends now. Without the orders for this
// slot nothing says which message it is, and nothing is drawn.
func (s sight) stave(b *fleet.Beacon, use fleet.BandUse, said *apiv1.Beacon, ordered *apiv1.LedgerSlot) *stave {
	timing, start := s.Network.Slot.Timing(), s.Network.Slot.Start(s.first)
	shown := &stave{
		Band: said.GetBand(), Hz: said.GetFrequencyHz(),
		From: start.Add(timing.StartOffset()), Until: start.Add(timing.End()),
	}
	if ordered == nil || ordered.GetBand() != said.GetBand() {
		return shown
	}
	place := b.Site.Locator.Truncate(6).String()
	message, err := wspr.Full(b.Callsign, place, use.PowerDBm)
	if ordered.GetExtended() {
		message, err = wspr.Extended(b.Callsign, place, use.PowerDBm)
	}
	if err != nil {
		return shown
	}
	if symbols, err := message.Symbols(); err == nil {
		shown.Path = tonePath(symbols[:])
	}
	return shown
}

// tonePath draws one dash a symbol; tone 0 is on the lowest line.
func tonePath(symbols []byte) string {
	var path strings.Builder
	for i, tone := range symbols {
		if i == 0 || tone != symbols[i-1] {
			path.WriteString("M" + strconv.Itoa(i) + " " + strconv.Itoa(3-int(tone)) + ".5")
		}
		path.WriteString("h1")
	}
	return path.String()
}

func endingWord(ending apiv1.SlotEnding) string {
	switch ending {
	case apiv1.SlotEnding_SLOT_ENDING_SENT:
		return "sent"
	case apiv1.SlotEnding_SLOT_ENDING_SKIPPED:
		return "skipped"
	case apiv1.SlotEnding_SLOT_ENDING_ABORTED:
		return "aborted"
	case apiv1.SlotEnding_SLOT_ENDING_UNREPORTED:
		return "unreported"
	}
	return "ordered"
}

// headline sums up.
func (s sight) headline() headline {
	h := headline{All: len(s.beacons)}
	for _, b := range s.beacons {
		l := s.brief(b)
		switch {
		case b.GetState() == apiv1.BeaconState_BEACON_STATE_ON_AIR:
			h.OnAir = append(h.OnAir, l)
		case l.Needs:
			h.Trouble = append(h.Trouble, l)
		case b.GetState() == apiv1.BeaconState_BEACON_STATE_HUSHED:
			h.Hushed = append(h.Hushed, l)
		case b.NextStart != nil && b.GetNextStart().AsTime().After(s.now):
			if h.Next == nil || b.GetNextStart().AsTime().Before(h.Next.GetNextStart().AsTime()) {
				h.Next = &l
			}
		}
	}
	return h
}

// showNow is the page of what is on the air now.
func (c *Console) showNow(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		http.Redirect(w, r, "/start", http.StatusSeeOther)
		return nil
	}
	shown, err := c.hub.present(r.Context())
	if err != nil {
		return err
	}
	page := nowPage{Headline: shown.pieces["headline"], Troubles: shown.pieces["troubles"]}
	byBeacon := map[string][]htmlPiece{}
	for _, b := range n.sorted() {
		byBeacon[b.Site.Name] = append(byBeacon[b.Site.Name], shown.pieces["lamp-"+b.Name])
	}
	c.render(w, r, http.StatusOK, "now", frame{
		Title: "Now", Tab: "/", Live: true, Since: shown.seq, Refresh: 20,
		Body: map[string]any{"Page": page, "Sites": n.Sites, "Lamps": byBeacon},
	})
	return nil
}
