package console

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/onair/slot"
)

// zooms are the stretches of time that the timeline shows at once.
var zooms = []struct {
	Key   string
	Words string
	Span  time.Duration
}{
	{"10m", "10 minutes", 10 * time.Minute},
	{"1h", "1 hour", time.Hour},
	{"6h", "6 hours", 6 * time.Hour},
	{"1d", "1 day", 24 * time.Hour},
	{"1w", "1 week", 7 * 24 * time.Hour},
}

// columns and rows of the table that stands for the picture.
const (
	tableSlots   = 15
	tableBeacons = 200
)

// timelinePage is the page of slots and beacons.
type timelinePage struct {
	At      time.Time // the middle
	Zoom    string
	Zooms   any
	Looks   string // JSON
	Beacons string // JSON: [name, site] by row
	Rows    string // JSON: the place of each in the list of all beacons
	Count   int    // of beacons
	Heads   []time.Time
	Table   []tableRow
	More    int // beacons that the table leaves out
	Earlier time.Time
	Later   time.Time
	Site    string
	Sites   []string
}

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
	now := c.options.Now().UTC()
	at, err := instantOf(r.FormValue("at"), now)
	if err != nil {
		return err
	}
	page := timelinePage{At: at, Zoom: r.FormValue("zoom"), Zooms: zooms, Looks: looksJSON(n.bandNames()), Site: r.FormValue("site")}
	if page.Zoom == "" {
		page.Zoom = "1h"
	}
	for _, s := range n.Sites {
		page.Sites = append(page.Sites, s.Name)
	}
	names, rows := [][2]string{}, []int{}
	for i, b := range n.sorted() {
		if page.Site == "" || b.Site.Name == page.Site {
			names, rows = append(names, [2]string{b.Name, b.Site.Name}), append(rows, i)
		}
	}
	for into, list := range map[*string]any{&page.Beacons: names, &page.Rows: rows} {
		text, err := json.Marshal(list)
		if err != nil {
			return err
		}
		*into = string(text)
	}
	page.Count = len(names)
	if err := c.fillTable(r, n, &page, names, now); err != nil {
		return err
	}
	c.render(w, r, http.StatusOK, "timeline", frame{Title: "Timeline", Tab: "/timeline", Scripts: []string{"timeline.js"}, Body: page})
	return nil
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

func (c *Console) fillTable(r *http.Request, n network, page *timelinePage, names [][2]string, now time.Time) error {
	length := n.Network.Slot
	first := length.At(page.At) - tableSlots/3
	from, to := length.Start(first), length.Start(first+tableSlots)
	page.Earlier, page.Later = page.At.Add(-tableSlots*length.Duration()), page.At.Add(tableSlots*length.Duration())
	listed, err := c.slots(r.Context(), "", from, to)
	if err != nil {
		return err
	}
	byBeacon := map[string][]*apiv1.LedgerSlot{}
	for _, s := range listed.GetSlots() {
		byBeacon[s.GetBeacon()] = append(byBeacon[s.GetBeacon()], s)
	}
	for i := range slot.Number(tableSlots) {
		page.Heads = append(page.Heads, length.Start(first+i))
	}
	if page.More = len(names) - tableBeacons; page.More > 0 {
		names = names[:tableBeacons]
	}
	for _, name := range names {
		row := tableRow{Beacon: name[0], Site: name[1]}
		for _, start := range page.Heads {
			row.Cells = append(row.Cells, tableCell{Start: start, Past: length.End(length.At(start)).Before(now)})
		}
		for _, s := range byBeacon[name[0]] {
			if i := s.GetSlot() - int64(first); i >= 0 && i < tableSlots {
				cell := &row.Cells[i]
				cell.Band, cell.Ending, cell.Reason = s.GetBand(), endingWord(s), s.GetReason()
			}
		}
		page.Table = append(page.Table, row)
	}
	return nil
}

// serveSlots gives the script what it draws: for each slot four whole numbers,
// the beacon's place in the list of names, the slot's number less the first
// one's, the band's place in the list of bands, and how it ended.
func (c *Console) serveSlots(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil || n.Fleet == nil {
		return err
	}
	from, err := strconv.ParseInt(r.FormValue("from"), 10, 64)
	to, wrong := strconv.ParseInt(r.FormValue("to"), 10, 64)
	length := n.Network.Slot
	if most := int64(8*24*time.Hour/time.Second) / int64(length); err != nil || wrong != nil || from < 0 || to <= from || to-from > most {
		return fault.New(fault.Invalid, "to", "give two slot numbers, at most eight days apart")
	}
	listed, err := c.slots(r.Context(), "", length.Start(slot.Number(from)), length.Start(slot.Number(to)))
	if err != nil {
		return err
	}
	rows, bands := map[string]int{}, map[string]int{}
	for i, b := range n.sorted() {
		rows[b.Name] = i
	}
	for i, name := range n.bandNames() {
		bands[name] = i
	}
	w.Header().Set("Content-Type", "application/json")
	text := fmt.Appendf(nil, `{"first":%d,"slots":[`, from)
	for _, s := range listed.GetSlots() {
		row, known := rows[s.GetBeacon()]
		band, used := bands[s.GetBand()]
		if !known || !used {
			continue // has left the fleet
		}
		if text[len(text)-1] != '[' {
			text = append(text, ',')
		}
		text = fmt.Appendf(text, "%d,%d,%d,%d", row, s.GetSlot()-from, band, int(s.GetEnding()))
	}
	_, _ = w.Write(append(text, "]}"...)) // the asker may be gone
	return nil
}
