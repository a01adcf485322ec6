package console

import (
	"net/http"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// firstFleet is what an empty installation begins with.
const firstFleet = `# The network. Every key that is left out has a default.
network:
  name: My network

sites:
  # The locator is where the antenna stands: four, six or eight characters.
  - {name: hilltop, locator: AA00aa, time_zone: Etc/UTC}

beacons:
  - name: hilltop-hf
    callsign: Q0AAA          # yours
    site: hilltop
    control: remote          # local, remote or automatic: what the licence says
    power_dbm: 23
    share: 0.2               # wanted part of the slots on the air
    uncertainty_ppm: 0.05    # how far the oscillator may be off
    bands: [40m]
`

// step is one thing that has to be done before there is a beacon on the air.
type step struct {
	Done  bool
	Next  bool // the first that is not done
	Words string
	How   string
	Link  string
	Text  string
}

type startPage struct {
	Steps   []step
	Beacons []*apiv1.Beacon
	Left    int
}

// showStart leads an empty installation to its first transmission.
func (c *Console) showStart(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	page := startPage{}
	var seen, held, sent bool
	newcomer := "" // where a device is let in for the first beacon that nobody has heard
	if n.Fleet != nil {
		listed, err := c.beacons.ListBeacons(r.Context(), &apiv1.ListBeaconsRequest{})
		if err != nil {
			return err
		}
		page.Beacons = listed.GetBeacons()
		for _, b := range page.Beacons {
			if b.LastSeen == nil && newcomer == "" && c.options.Access.May(r.Context(), Enrol) {
				newcomer = "/enrol/" + b.GetBeacon()
			}
			seen = seen || b.LastSeen != nil
			held = held || b.OrdersRevision != nil
			sent = sent || b.GetSentToday() > 0 || b.GetOnAir()
		}
	}
	known, sites, beacons := n.Fleet != nil, false, false
	if known {
		sites, beacons = len(n.Sites) > 0, len(n.Beacons) > 0
	}
	page.Steps = []step{
		{Done: known, Words: "Name the network", How: "What is wrong is said at its field before anything counts. Whoever likes to write the file as text, with an example to begin with, can.", Link: "/plan/network", Text: "Name the network"},
		{Done: sites, Words: "Write down its first site", How: "Where it is, and how many transmitters may be on the air there at once.", Link: "/plan/site", Text: "Write down a site"},
		{Done: beacons, Words: "Write down its first beacon", How: "Its call sign, its licence, its bands, and how much it wants to be on the air.", Link: "/plan/beacon", Text: "Write down a beacon"},
		{Done: seen, Words: "Let its device in", How: "The device at the beacon makes its own key, and gets its certificate and its configuration by a token that works once. Then its clock and its transmitter are written in, and it is tried on a dummy load first.", Link: newcomer, Text: "Get a token"},
		{Done: held, Words: "Let it get its orders", How: "They come by themselves within a minute of its first word, signed; agent and keyer confirm that they hold them.", Link: "/", Text: "Look at the lamps"},
		{Done: sent, Words: "Hear the first transmission", How: "It comes in its next slot, if the clock is right to half a second and the lease holds. Look at it with a receiver.", Link: "/timeline", Text: "See which slot is next"},
	}
	for i, s := range page.Steps {
		if !s.Done {
			page.Steps[i].Next = page.Left == 0
			page.Left++
		}
	}
	c.render(w, r, http.StatusOK, "start", frame{Title: "First hour", Refresh: 10, Body: page})
	return nil
}

// serveAgentConfig hands out what a beacon's agent needs.
func (c *Console) serveAgentConfig(w http.ResponseWriter, r *http.Request) error {
	config, err := c.beacons.GetAgentConfig(r.Context(), &apiv1.GetAgentConfigRequest{Beacon: r.PathValue("beacon")})
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/yaml")
	w.Header().Set("Content-Disposition", `attachment; filename="`+r.PathValue("beacon")+`.yaml"`)
	_, _ = w.Write([]byte(config.GetYaml())) // the asker may be gone
	return nil
}

// showClub is a screen for a room: what is on the air, then where, then what is
// to come, in turn, without anybody touching it.
func (c *Console) showClub(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		http.Redirect(w, r, "/start", http.StatusSeeOther)
		return nil
	}
	seen, err := c.hub.present(r.Context())
	if err != nil {
		return err
	}
	var lamps []htmlPiece
	for _, b := range n.sorted() {
		lamps = append(lamps, seen.pieces["lamp-"+b.Name])
	}
	drawn, err := c.drawMap(r.Context(), n)
	if err != nil {
		return err
	}
	c.render(w, r, http.StatusOK, "club", frame{Title: "Club room", Bare: true, Live: true, Since: seen.seq, Refresh: 20, Scripts: []string{"club.js"}, Body: map[string]any{
		"Headline": seen.pieces["headline"], "Lamps": lamps, "Map": drawn,
	}})
	return nil
}
