package console

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/zone"
)

// calendarPage shows when nothing is sent, on the clock of a place and in UTC.
type calendarPage struct {
	Week       bool // else a month
	Title      string
	At         string // a day that it shows
	Back, On   string // days before and after it
	Today      string
	Zone       string
	Zones      []string
	Weekdays   []string
	Days       []calendarDay
	Everything int // pauses in the fleet file
	MayChange  bool
}

// View is the name of what is shown.
func (p calendarPage) View() string {
	if p.Week {
		return "week"
	}
	return "month"
}

type calendarDay struct {
	Key     string // 2026-12-01
	Number  int
	Words   string // Tuesday 1 December
	Outside bool   // of the month
	Today   bool
	Entries []calendarEntry
	Bars    []calendarBar  // of a week
	Hours   []calendarHour // of a week
}

// calendarEntry is a pause on a day.
type calendarEntry struct {
	Key    string // where it stands in the file: pause.3, dark.0
	Dark   bool
	Scope  string
	Reason string
	Local  string // on the clock of the place that it is about
	Clock  string // whose that is, where it is not the page's
	UTC    string
}

// calendarBar is a pause on the strip of a day, in thousandths of it.
type calendarBar struct {
	X, Width, Row int
	Dark          bool
}

// calendarHour is a mark on the strip of a day, with both clocks' time.
type calendarHour struct {
	X          int
	Local, UTC string
}

func (c *Console) showCalendar(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		return errNoNetwork
	}
	page := calendarPage{Week: r.FormValue("view") == "week", Zones: clocks(n.Fleet), MayChange: c.options.Access.May(r.Context(), ChangeFleet), Everything: len(n.Pauses)}
	page.Zone = r.FormValue("zone")
	if !slices.Contains(page.Zones, page.Zone) {
		page.Zone = n.Calendar().String()
	}
	clock, err := zone.Load(page.Zone)
	if err != nil {
		clock = time.UTC
	}
	today := c.options.Now().In(clock)
	at, err := time.ParseInLocation(time.DateOnly, r.FormValue("at"), clock)
	if err != nil || at.Year() < 2000 || at.Year() > 2199 {
		at = today
	}
	page.fill(n.Fleet, at, today, clock)
	c.render(w, r, http.StatusOK, "calendar", frame{Title: "Pauses", Tab: "/plan", Scripts: []string{"calendar.js"}, Body: page})
	return nil
}

// clocks are those that a calendar can be read on.
func clocks(f *fleet.Fleet) []string {
	list := []string{f.Calendar().String()}
	for _, s := range f.Sites {
		list = append(list, s.Zone.String())
	}
	list = append(list, "Etc/UTC")
	for i, name := range list {
		if name == "UTC" {
			list[i] = "Etc/UTC"
		}
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// fill makes the days.
func (p *calendarPage) fill(f *fleet.Fleet, at, today time.Time, clock *time.Location) {
	day := func(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, clock) }
	y, m, d := at.Date()
	first, month := day(y, m, 1), m
	weeks := 6
	if p.Week {
		first, weeks = day(y, m, d), 1
	}
	first = first.AddDate(0, 0, -(int(first.Weekday())+6)%7) // Monday
	p.At, p.Today = at.Format(time.DateOnly), today.Format(time.DateOnly)
	if p.Week {
		p.Back, p.On = first.AddDate(0, 0, -7).Format(time.DateOnly), first.AddDate(0, 0, 7).Format(time.DateOnly)
		year, week := first.ISOWeek()
		p.Title = "Week " + first.Format("of 2 January 2006") + ", the " + ordinal(week) + " of " + time.Date(year, 6, 1, 0, 0, 0, 0, time.UTC).Format("2006")
	} else {
		p.Back, p.On = day(y, m-1, 1).Format(time.DateOnly), day(y, m+1, 1).Format(time.DateOnly)
		p.Title = at.Format("January 2006")
	}
	fy, fm, fd := first.Date()
	for i := range 7 {
		p.Weekdays = append(p.Weekdays, day(fy, fm, fd+i).Format("Mon"))
	}
	last := day(fy, fm, fd+7*weeks)
	held := heldBetween(f, first, last)
	for i := range 7 * weeks {
		begin, end := day(fy, fm, fd+i), day(fy, fm, fd+i+1)
		if !p.Week && i%7 == 0 && i > 0 && begin.Month() != month {
			break
		}
		shown := calendarDay{Key: begin.Format(time.DateOnly), Number: begin.Day(), Words: begin.Format("Monday 2 January"), Outside: !p.Week && begin.Month() != month, Today: begin.Format(time.DateOnly) == p.Today}
		for _, h := range held {
			if h.From.Before(end) && begin.Before(h.To) {
				shown.Entries = append(shown.Entries, h.on(begin, end, clock))
				shown.Bars = append(shown.Bars, h.bar(begin, end, len(shown.Bars)))
			}
		}
		if p.Week {
			shown.Hours = marks(begin, end, clock)
		}
		p.Days = append(p.Days, shown)
	}
}

func ordinal(n int) string {
	ending := "th"
	if n%100 < 11 || n%100 > 13 {
		switch n % 10 {
		case 1:
			ending = "st"
		case 2:
			ending = "nd"
		case 3:
			ending = "rd"
		}
	}
	return number(n) + ending
}

// heldPause is a stretch of time in which a pause holds.
type heldPause struct {
	fleet.Held
	pause *fleet.Pause
	key   string
	dark  bool
	clock *time.Location // of the place that it is about; nil: of several
}

// heldBetween are all stretches between two times, the earliest first.
func heldBetween(f *fleet.Fleet, from, to time.Time) []heldPause {
	var all []heldPause
	written := len(f.Pauses) - len(f.Dark) // the others are those of dark sites
	for i, p := range f.Pauses {
		key, dark := "pause."+number(i), i >= written
		if dark {
			key = "dark." + number(i-written)
		}
		for _, held := range f.Held(p, from, to) {
			h := heldPause{Held: held, pause: p, key: key, dark: dark, clock: held.Zone}
			if site := siteOf(f, p.Scope); site != nil {
				h.clock = site.Zone
			}
			all = append(all, h)
		}
	}
	slices.SortStableFunc(all, func(a, b heldPause) int { return a.From.Compare(b.From) })
	return all
}

func siteOf(f *fleet.Fleet, scope fleet.Scope) *fleet.Site {
	if b := f.Beacon(scope.Beacon); b != nil {
		return b.Site
	}
	return f.Site(scope.Site)
}

// on is the pause as an entry of a day.
func (h heldPause) on(begin, end time.Time, clock *time.Location) calendarEntry {
	e := calendarEntry{Key: h.key, Dark: h.dark, Scope: capital(h.pause.Scope.String()), Reason: h.pause.Reason}
	e.Scope = strings.TrimSuffix(e.Scope, ".")
	own := h.clock
	if own == nil {
		own = clock
	}
	e.Local = h.words(begin, end, own)
	if own.String() != clock.String() {
		e.Clock = own.String()
	}
	e.UTC = h.words(begin, end, time.UTC)
	return e
}

// words are the times of a pause so far as it lies in a day.
func (h heldPause) words(begin, end time.Time, on *time.Location) string {
	from, to := "", ""
	if !h.From.Before(begin) {
		from = h.From.In(on).Format("15:04")
	}
	if !h.To.After(end) {
		to = h.To.In(on).Format("15:04")
		if h.To.Equal(end) && to == "00:00" {
			to = "24:00"
		}
	}
	switch {
	case from == "" && to == "":
		return "all day"
	case from == "":
		return "until " + to
	case to == "":
		return "from " + from
	}
	return from + "–" + to
}

// bar is the pause on the strip of a day.
func (h heldPause) bar(begin, end time.Time, row int) calendarBar {
	part := func(t time.Time) int {
		return min(1000, max(0, int(t.Sub(begin)*1000/end.Sub(begin))))
	}
	x := part(h.From)
	return calendarBar{X: x, Width: max(4, part(h.To)-x), Row: row * 14, Dark: h.dark}
}

// marks are the hours of a strip; a day may have 23 or 25.
func marks(begin, end time.Time, clock *time.Location) []calendarHour {
	var list []calendarHour
	for at := begin; at.Before(end); at = at.Add(6 * time.Hour) {
		list = append(list, calendarHour{int(at.Sub(begin) * 1000 / end.Sub(begin)), at.In(clock).Format("15:04"), at.UTC().Format("15:04")})
	}
	return list
}
