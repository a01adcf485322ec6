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
	if n.Fleet != nil {
		listed, err := c.beacons.ListBeacons(r.Context(), &apiv1.ListBeaconsRequest{})
		if err != nil {
			return err
		}
		page.Beacons = listed.GetBeacons()
		for _, b := range page.Beacons {
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
		{known, "Name the network", "What is wrong is said at its field before anything counts. Whoever likes to write the file as text, with an example to begin with, can.", "/plan/network", "Name the network"},
		{sites, "Write down its first site", "Where it is, and how many transmitters may be on the air there at once.", "/plan/site", "Write down a site"},
		{beacons, "Write down its first beacon", "Its call sign, its licence, its bands, and how much it wants to be on the air.", "/plan/beacon", "Write down a beacon"},
		{seen, "Give a beacon what its agent needs", "Take the file to the computer at the beacon, write in its clock and its transmitter, and start the agent there with: lamplighter-agent run --config FILE. First on a dummy load.", "", ""},
		{held, "Let it get its orders", "They come by themselves within a minute of its first word, signed; agent and keyer confirm that they hold them.", "/", "Look at the lamps"},
		{sent, "Hear the first transmission", "It comes in its next slot, if the clock is right to half a second and the lease holds. Look at it with a receiver.", "/timeline", "See which slot is next"},
	}
	for _, s := range page.Steps {
		if !s.Done {
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
