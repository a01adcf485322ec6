package console

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"net/http"
	"strconv"
	"time"

	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/onair/slot"
)

// zoom is a stretch of time that the timeline shows at once.
type zoom struct {
	Key   string
	Words string
}

var zooms = []zoom{{"10m", "10 minutes"}, {"1h", "1 hour"}, {"6h", "6 hours"}, {"1d", "1 day"}, {"1w", "1 week"}}

// columns and rows of the table that stands for the picture.
const (
	tableSlots   = 15
	tableBeacons = 200
)

// mostSlotsAsked bounds how many slots a script is given at once.
const mostSlotsAsked = 1440

// timelinePage is slots by beacons.
type timelinePage struct {
	Self    string    // its address
	At      time.Time // the middle
	Zoom    string
	Zooms   []zoom
	Looks   string // JSON: what a band looks like, by its place
	Beacons string // JSON: [name, site] by row
	Rows    string // tells these rows from those of another fleet
	Count   int    // of rows
	Slots   string // the address of what the script draws
	Why     bool   // whoever looks may ask why, and open a beacon's page
	Heads   []time.Time
	Table   []tableRow
	More    int // beacons that the table leaves out
	Earlier time.Time
	Later   time.Time
	Site    string
	Sites   []string
}

// timelineRow is a beacon of the picture.
type timelineRow struct{ beacon, site string }

type tableRow struct {
	Beacon, Site string
	Cells        []tableCell
}

type tableCell struct {
	Start  time.Time
	Band   string
	Ending string
	Reason string
	Past   bool
}

// showTimeline is the picture's page; the table in it says the same of fewer
// slots to those who don't see it.
func (c *Console) showTimeline(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		http.Redirect(w, r, "/start", http.StatusSeeOther)
		return nil
	}
	page := timelinePage{Self: "/timeline", Slots: "/timeline/slots", Why: true, Zooms: zooms, Site: r.FormValue("site")}
	for _, s := range n.Sites {
		page.Sites = append(page.Sites, s.Name)
	}
	rows := n.rows(page.Site)
	if err := page.fill(r, c.options.Now().UTC(), rows, n.bandNames()); err != nil {
		return err
	}
	from, to := page.span(n.Network.Slot)
	listed, err := c.slots(r.Context(), "", from, to)
	if err != nil {
		return err
	}
	page.fillTable(rows, n.Network.Slot, listed.GetSlots(), c.options.Now())
	c.render(w, r, http.StatusOK, "timeline", frame{Title: "Timeline", Tab: "/timeline", Scripts: []string{"timeline.js"}, Body: page})
	return nil
}

// rows are the beacons of a site, or all, by site and name.
func (n network) rows(site string) (rows []timelineRow) {
	for _, b := range n.sorted() {
		if site == "" || b.Site.Name == site {
			rows = append(rows, timelineRow{b.Name, b.Site.Name})
		}
	}
	return rows
}

// rowsName is a name of some rows that no others have.
func rowsName(rows []timelineRow) string {
	h := fnv.New64a()
	for _, row := range rows {
		_, _ = fmt.Fprintln(h, row.beacon)
	}
	return strconv.FormatUint(h.Sum64(), 36)
}

// fill completes all but the table.
func (p *timelinePage) fill(r *http.Request, now time.Time, rows []timelineRow, bands []string) (err error) {
	if p.At, err = instantOf(r.FormValue("at"), now); err != nil {
		return err
	}
	p.Zoom = "1h"
	for _, z := range p.Zooms {
		if r.FormValue("zoom") == z.Key {
			p.Zoom = z.Key
		}
	}
	names := make([][2]string, len(rows))
	for i, row := range rows {
		names[i] = [2]string{row.beacon, row.site}
	}
	text, err := json.Marshal(names)
	p.Beacons, p.Rows, p.Count, p.Looks = string(text), rowsName(rows), len(rows), looksJSON(bands)
	return err
}

// instantOf reads an instant of an address; empty is the one given.
func instantOf(text string, otherwise time.Time) (time.Time, error) {
	if text == "" {
		return otherwise, nil
	}
	at, err := time.Parse(time.RFC3339, text)
	if err != nil || at.Year() < 1970 || at.Year() > 9000 {
		return otherwise, fault.New(fault.Invalid, "at", "write a time as 2026-12-01T00:04:00Z")
	}
	return at.UTC(), nil
}

// span is the time that the table shows.
func (p *timelinePage) span(length slot.Length) (from, to time.Time) {
	first := length.At(p.At) - tableSlots/3
	return length.Start(first), length.Start(first + tableSlots)
}

// ledgerSlot is a slot that was ordered, as everybody or as those with a role
// are told of it.
type ledgerSlot interface {
	GetBeacon() string
	GetSlot() int64
	GetBand() string
	GetEnding() apiv1.SlotEnding
}

func (p *timelinePage) fillTable(rows []timelineRow, length slot.Length, listed []*apiv1.LedgerSlot, now time.Time) {
	from, _ := p.span(length)
	first := length.At(from)
	p.Earlier, p.Later = p.At.Add(-tableSlots*length.Duration()), p.At.Add(tableSlots*length.Duration())
	byBeacon := map[string][]*apiv1.LedgerSlot{}
	for _, s := range listed {
		byBeacon[s.GetBeacon()] = append(byBeacon[s.GetBeacon()], s)
	}
	for i := range slot.Number(tableSlots) {
		p.Heads = append(p.Heads, length.Start(first+i))
	}
	if p.More = len(rows) - tableBeacons; p.More > 0 {
		rows = rows[:tableBeacons]
	}
	for _, r := range rows {
		row := tableRow{Beacon: r.beacon, Site: r.site}
		for _, start := range p.Heads {
			row.Cells = append(row.Cells, tableCell{Start: start, Past: length.End(length.At(start)).Before(now)})
		}
		for _, s := range byBeacon[r.beacon] {
			if i := s.GetSlot() - int64(first); i >= 0 && i < tableSlots {
				cell := &row.Cells[i]
				cell.Band, cell.Ending, cell.Reason = s.GetBand(), endingWord(s.GetEnding()), s.GetReason()
			}
		}
		p.Table = append(p.Table, row)
	}
}

// serveSlots gives the script what it draws.
func (c *Console) serveSlots(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil || n.Fleet == nil {
		return err
	}
	from, to, err := slotsAsked(r)
	if err != nil {
		return err
	}
	listed, err := c.slots(r.Context(), "", n.Network.Slot.Start(from), n.Network.Slot.Start(to))
	if err != nil {
		return err
	}
	sendSlots(w, n.rows(r.FormValue("site")), n.bandNames(), from, to, listed.GetSlots())
	return nil
}

// slotsAsked are the numbers of the first slot asked for and of that after the
// last one.
func slotsAsked(r *http.Request) (from, to slot.Number, err error) {
	first, err := strconv.ParseInt(r.FormValue("from"), 10, 64)
	end, wrong := strconv.ParseInt(r.FormValue("to"), 10, 64)
	if err != nil || wrong != nil || first < 0 || end <= first || end-first > mostSlotsAsked {
		return 0, 0, fault.New(fault.Invalid, "to", "give two slot numbers, at most %d apart", mostSlotsAsked)
	}
	return slot.Number(first), slot.Number(end), nil
}

// sendSlots sends row after row a number of two bytes for each slot, the lower
// byte first: 0 for silence, and else 1 more than five times the band's place
// among the bands and how it ended, from 0 for ordered. The script draws from
// this without reading it through.
func sendSlots[S ledgerSlot](w http.ResponseWriter, rows []timelineRow, bands []string, from, to slot.Number, listed []S) {
	wide := int64(to - from)
	places, numbers := map[string]int64{}, map[string]int{}
	for i, row := range rows {
		places[row.beacon] = int64(i) * wide
	}
	for i, name := range bands {
		numbers[name] = i
	}
	drawn := make([]byte, 2*wide*int64(len(rows)))
	for _, s := range listed {
		place, known := places[s.GetBeacon()]
		band, used := numbers[s.GetBand()]
		at, ending := s.GetSlot()-int64(from), int(s.GetEnding())-1
		if !known || !used || at < 0 || at >= wide || ending < 0 || ending > 4 {
			continue // it has left the fleet, or is not asked for
		}
		binary.LittleEndian.PutUint16(drawn[2*(place+at):], uint16(1+5*band+ending)) //nolint:gosec // a network has few bands
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("Lamplighter-Rows", rowsName(rows))
	_, _ = w.Write(drawn) // the asker may be gone
}
