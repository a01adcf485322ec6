package console

import (
	"net/http"
	"strings"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/report"
)

// reachPage is where a beacon was heard in a week.
type reachPage struct {
	Beacon  string
	Report  *report.Report
	Earlier string // the week before
	Later   string // the week after, if it has begun
}

// showReach is a page of its own, as the figures may take their time; the
// beacon's page takes what it says into itself.
func (c *Console) showReach(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil || n.Beacon(r.PathValue("beacon")) == nil {
		return fault.New(fault.NotFound, "beacon", "the fleet has no beacon of that name")
	}
	now := c.options.Now()
	page := reachPage{Beacon: r.PathValue("beacon")}
	week := strings.TrimSpace(r.FormValue("week"))
	if week == "" {
		week = report.WeekAt(now, time.UTC).Week
	}
	if page.Report, err = c.figures(r.Context(), week, "beacon:"+page.Beacon); err != nil {
		return err
	}
	allowTime(w)
	if shown, err := report.ParseWeek(page.Report.Week, time.UTC); err == nil {
		page.Earlier = shown.Before().Week
		if later := report.WeekAt(shown.To.Add(time.Hour), time.UTC); later.From.Before(now) {
			page.Later = later.Week
		}
	}
	c.render(w, r, http.StatusOK, "reach", frame{Title: "Where " + page.Beacon + " was heard", Body: page})
	return nil
}
