package console

import (
	"net/http"
	"slices"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/onair/band"
	"lamplighter/proto/onair/slot"
)

// publicPage is what everybody may see, where the network wants that.
type publicPage struct {
	OnAir, Waiting, Silent int
	Sites                  []publicSite
	Timeline               timelinePage
}

type publicSite struct {
	*apiv1.PublicSite
	Beacons []*apiv1.PublicBeacon
}

// publicZooms are those of the timeline that reach no further than what
// everybody is told.
var publicZooms = zooms[:3]

// showPublic is the one page that asks nobody who they are. All that it shows is
// what the service for everybody tells.
func (c *Console) showPublic(w http.ResponseWriter, r *http.Request) error {
	told, err := c.publics.GetPublic(r.Context(), &apiv1.GetPublicRequest{})
	if err != nil {
		return err
	}
	rows, bands := publicRows(told)
	page := publicPage{Timeline: timelinePage{Self: "/public", Slots: "/public/slots", Zooms: publicZooms}}
	page.fill(told)
	if err := page.Timeline.fill(r, c.options.Now().UTC(), rows, bands); err != nil {
		return err
	}
	var listed []*apiv1.LedgerSlot
	for _, s := range told.GetSlots() {
		listed = append(listed, &apiv1.LedgerSlot{Beacon: s.GetBeacon(), Slot: s.GetSlot(), Band: s.GetBand(), Ending: s.GetEnding()})
	}
	page.Timeline.fillTable(rows, slot.Length(told.GetSlotSeconds()), listed, c.options.Now())
	c.render(w, r, http.StatusOK, "public", frame{
		Title: "On the air", Public: true, Network: told.GetNetwork(), SlotSeconds: told.GetSlotSeconds(), Bands: patternsOf(bands),
		Refresh: 30, Scripts: []string{"timeline.js"}, Body: page,
	})
	return nil
}

// fill puts the beacons at their sites and counts them.
func (p *publicPage) fill(told *apiv1.GetPublicResponse) {
	at := map[string]int{}
	for i, s := range told.GetSites() {
		at[s.GetSite()] = i
		p.Sites = append(p.Sites, publicSite{PublicSite: s})
	}
	for _, b := range told.GetBeacons() {
		switch b.GetState() {
		case apiv1.PublicState_PUBLIC_STATE_ON_AIR:
			p.OnAir++
		case apiv1.PublicState_PUBLIC_STATE_WAITING:
			p.Waiting++
		default:
			p.Silent++
		}
		if i, known := at[b.GetSite()]; known {
			p.Sites[i].Beacons = append(p.Sites[i].Beacons, b)
		}
	}
}

// publicRows are the rows of the timeline, and the bands that it tells apart, by
// frequency; behind them those of the network's own, as beacons use them.
func publicRows(told *apiv1.GetPublicResponse) (rows []timelineRow, bands []string) {
	seen := map[string]bool{}
	for _, b := range told.GetBeacons() {
		rows = append(rows, timelineRow{b.GetBeacon(), b.GetSite()})
		for _, name := range b.GetBands() {
			if !seen[name] {
				seen[name], bands = true, append(bands, name)
			}
		}
	}
	known := band.Standard().All()
	place := func(name string) int {
		if at := slices.IndexFunc(known, func(b band.Band) bool { return b.Name == name }); at >= 0 {
			return at
		}
		return len(known)
	}
	slices.SortStableFunc(bands, func(a, b string) int { return place(a) - place(b) })
	return rows, bands
}

// servePublicSlots gives the script of that page what it draws.
func (c *Console) servePublicSlots(w http.ResponseWriter, r *http.Request) error {
	told, err := c.publics.GetPublic(r.Context(), &apiv1.GetPublicRequest{})
	if err != nil {
		return err
	}
	from, to, err := slotsAsked(r)
	if err != nil {
		return err
	}
	rows, bands := publicRows(told)
	sendSlots(w, rows, bands, from, to, told.GetSlots())
	return nil
}
