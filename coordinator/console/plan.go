package console

import (
	"context"
	"crypto/sha256"
	"net/http"
	"sync"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// planPage says who wants, is granted and has sent how much.
type planPage struct {
	Made     time.Time
	From, To time.Time
	None     bool
	Shares   []share
	Figures  plan.Figures
	Short    []plan.Shortfall
	Bands    []string
	Rooms    []planner.Room
	Pauses   []pauseShown
	Zones    bool
}

// share is one beacon's part.
type share struct {
	Beacon, Site    string
	Wanted, Granted int64
	SentDay         int
	Cells           []shareCell // by band
	Reason          string
}

type shareCell struct {
	Band          string
	Granted, Sent int
}

// pauseShown is a pause with what it means in the coming week.
type pauseShown struct {
	Scope, Reason, Rule string
	Next                []pauseTime
}

type pauseTime struct {
	From, To           time.Time
	LocalFrom, LocalTo string // on the clock of a site
}

func (c *Console) showPlan(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		http.Redirect(w, r, "/start", http.StatusSeeOther)
		return nil
	}
	page := &planPage{Bands: n.bandNames()}
	in, p, err := c.planning(r.Context(), n.Fleet)
	if err != nil {
		return err
	}
	page.None = p == nil
	if p != nil {
		if err := c.fillShares(r.Context(), page, n, in, p); err != nil {
			return err
		}
	}
	page.Pauses = pausesOf(n.Fleet, c.options.Now().UTC())
	c.render(w, r, http.StatusOK, "plan", frame{Title: "Plan", Tab: "/plan", Body: page})
	return nil
}

func (c *Console) fillShares(ctx context.Context, page *planPage, n network, in planner.Input, p *plan.Plan) error {
	page.From, page.To, page.Short = p.From, p.To, p.Shortfalls
	page.Figures = plan.Measure(n.Fleet, p, plan.Extra{History: in.History})
	now := c.options.Now().UTC()
	listed, err := c.slots(ctx, "", now.Add(-24*time.Hour), now)
	if err != nil {
		return err
	}
	type key struct{ beacon, band string }
	granted, sent := map[key]int{}, map[key]int{}
	for _, t := range p.Transmissions {
		granted[key{t.Beacon, t.Band}]++
	}
	for _, s := range listed.GetSlots() {
		if s.GetEnding() == apiv1.SlotEnding_SLOT_ENDING_SENT {
			sent[key{s.GetBeacon(), s.GetBand()}]++
		}
	}
	wants := map[string]plan.BeaconFigures{}
	for _, f := range page.Figures.Beacons {
		wants[f.Beacon] = f
	}
	short := map[string]string{}
	for _, s := range p.Shortfalls {
		if s.Band == "" {
			short[s.Beacon] = s.Reason
		}
	}
	for _, b := range n.sorted() {
		row := share{Beacon: b.Name, Site: b.Site.Name, Wanted: wants[b.Name].Wanted, Granted: wants[b.Name].Granted, Reason: short[b.Name]}
		for _, band := range page.Bands {
			cell := shareCell{band, granted[key{b.Name, band}], sent[key{b.Name, band}]}
			row.SentDay += cell.Sent
			row.Cells = append(row.Cells, cell)
		}
		page.Shares = append(page.Shares, row)
	}
	page.Rooms, err = c.rooms.of(ctx, in)
	return err
}

// rooms remembers how full things are by the latest plan that was asked about:
// to find out means to plan, which takes a while for a large network.
type rooms struct {
	mu     sync.Mutex
	digest [sha256.Size]byte
	from   time.Time
	list   []planner.Room
}

// of ends without an answer when the asker leaves.
func (r *rooms) of(ctx context.Context, in planner.Input) ([]planner.Room, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if digest := in.Fleet.Digest(); digest != r.digest || !in.From.Equal(r.from) {
		list, err := planner.Capacity(in, func(int, int) bool { return ctx.Err() != nil })
		if err != nil {
			return nil, err
		}
		r.digest, r.from, r.list = digest, in.From, list
	}
	return r.list, nil
}

// pausesOf tells when each pause holds in the coming week.
func pausesOf(f *fleet.Fleet, now time.Time) []pauseShown {
	held := heldBetween(f, now, now.Add(historyBack))
	list := make([]pauseShown, len(f.Pauses))
	for i, p := range f.Pauses {
		list[i] = pauseShown{Scope: p.Scope.String(), Reason: p.Reason, Rule: p.Rule, Next: timesOf(f, held, p, 3)}
	}
	return list
}

// timesOf are the first times at which a pause holds, on the clock of the place
// that it is about.
func timesOf(f *fleet.Fleet, held []heldPause, p *fleet.Pause, most int) (times []pauseTime) {
	for _, h := range held {
		if h.pause != p || len(times) == most {
			continue
		}
		own := h.clock
		if own == nil {
			own = f.Calendar()
		}
		times = append(times, pauseTime{h.From.UTC(), h.To.UTC(), h.From.In(own).Format("Mon 2 Jan 15:04"), h.To.In(own).Format("Mon 2 Jan 15:04 MST")})
	}
	return times
}

// Full says what has too little room for those that share it.
func (p *planPage) Full() []string {
	var full []string
	for _, r := range p.Rooms {
		if r.Wanted > r.Most {
			full = append(full, fullWords(r))
		}
	}
	return full
}

// fullWords says of what it is how much it is overbooked.
func fullWords(r planner.Room) string {
	what := "Site " + r.Name
	switch r.Kind {
	case "equipment":
		what = capital(r.Name + " at " + r.Site)
		what = what[:len(what)-1]
	case "band":
		what = "Band " + r.Name
	}
	if r.Most == 0 {
		return what + " has no room at all: " + count(r.Beacons, "beacon wants", "beacons want") + " " + count(r.Wanted, "transmission", "transmissions") + "."
	}
	return what + " is full: " + count(r.Beacons, "beacon wants ", "beacons want ") + percent(r.Wanted, r.Most) + " of its room."
}
