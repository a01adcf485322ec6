package console

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/fleet/form"
	"lamplighter/coordinator/fleet/rewrite"
	"lamplighter/coordinator/zone"
)

// pausePage is the form of a pause.
type pausePage struct {
	form.Pause
	Clock    string // on which From, To and Until are read
	Was      string // the entry of the file that is changed; empty: a new one
	WasDark  bool
	BasedOn  int64
	Problems map[string][]string
	Others   fleet.Findings
	Trouble  *trouble
	Tried    *tried
	Removing bool
	Theirs   *theirs
	Next     []pauseTime // when it holds next
	Scopes   []choice
	Bands    []string
	Clocks   []string
	Days     []form.Choice
}

// Title says what the form is about.
func (p pausePage) Title() string {
	if p.Was == "" {
		return "A new pause"
	}
	return "A pause"
}

// On says whether a day of the week is ticked.
func (p pausePage) On(day string) bool { return slices.Contains(p.Pause.Days, day) }

// Of are the problems of an answer.
func (p pausePage) Of(field string) []string { return p.Problems[field] }

func (c *Console) showPause(w http.ResponseWriter, r *http.Request) error {
	d, err := c.draft(r.Context())
	if err != nil {
		return err
	}
	page := pausePage{BasedOn: d.version, Clock: r.FormValue("zone"), Pause: form.Pause{Kind: form.Once, Every: form.Weekly, Lasts: "2h"}}
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		return errNoNetwork
	}
	if err := page.clockOf(n.Fleet); err != nil {
		return err
	}
	if key := r.FormValue("key"); key != "" {
		if err := page.open(d, n.Fleet, key); err != nil {
			return err
		}
	} else if day, err := time.Parse(time.DateOnly, r.FormValue("day")); err == nil {
		page.From, page.To = day.Format(time.DateOnly)+"T09:00", day.Format(time.DateOnly)+"T12:00"
		page.Start = page.From
	}
	return c.renderPause(w, r, http.StatusOK, page)
}

// clockOf settles on which clock the form is read.
func (p *pausePage) clockOf(f *fleet.Fleet) error {
	p.Clocks = clocks(f)
	if !slices.Contains(p.Clocks, p.Clock) {
		p.Clock = f.Calendar().String()
		if p.Clock == "UTC" {
			p.Clock = "Etc/UTC"
		}
	}
	return nil
}

func (p *pausePage) zone() *time.Location {
	loaded, err := zone.Load(p.Clock)
	if err != nil {
		return time.UTC
	}
	return loaded
}

// open fills the form with an entry of the file.
func (p *pausePage) open(d draft, f *fleet.Fleet, key string) error {
	kind, number, _ := strings.Cut(key, ".")
	at, err := strconv.Atoi(number)
	list := d.list(kind)
	if err != nil || kind != "pause" && kind != "dark" || at < 0 || at >= len(list) {
		return fault.New(fault.NotFound, "key", "there is no such pause any more")
	}
	entry, ok := list[at].(rewrite.Map)
	if !ok {
		return byHand(rewrite.ErrByHand)
	}
	p.Was, p.WasDark = rewrite.Line(entry), kind == "dark"
	p.Pause = form.ReadPause(entry, p.WasDark, p.zone())
	if site := siteOf(f, scopeIn(p.Scope)); site != nil && slices.Contains(p.Clocks, site.Zone.String()) {
		p.Clock = site.Zone.String()
		p.Pause = form.ReadPause(entry, p.WasDark, p.zone())
	}
	return nil
}

// scopeIn is a choice of the form as a scope.
func scopeIn(value string) fleet.Scope {
	switch kind, name, _ := strings.Cut(value, ":"); kind {
	case "site":
		return fleet.Scope{Site: name}
	case "beacon":
		return fleet.Scope{Beacon: name}
	}
	return fleet.Scope{}
}

func (c *Console) renderPause(w http.ResponseWriter, r *http.Request, status int, page pausePage) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	page.Bands, page.Days = n.bandNames(), form.Weekdays
	for _, s := range n.choices() {
		if !strings.HasPrefix(s.Value, "band:") {
			page.Scopes = append(page.Scopes, s)
		}
	}
	c.render(w, r, status, "pauseform", frame{Title: page.Title(), Tab: "/plan", Scripts: []string{"forms.js"}, Body: page})
	return nil
}

// changePause tries what was filled in, or puts it in force.
func (c *Console) changePause(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return fault.New(fault.Invalid, "", "the form was not sent whole; open it again")
	}
	page := pausePage{Was: r.PostFormValue("was"), WasDark: r.PostFormValue("was_dark") != "", Clock: r.PostFormValue("clock"), Pause: form.FilledPause(func(key string) []string { return r.PostForm[key] })}
	var err error
	if page.BasedOn, err = strconv.ParseInt(r.PostFormValue("based_on"), 10, 64); err != nil {
		return fault.New(fault.Invalid, "based_on", "the form was not sent whole; open it again")
	}
	do := r.PostFormValue("do")
	page.Removing = page.Was != "" && (do == "remove" || do == "apply" && r.PostFormValue("removing") != "")
	d, err := c.draft(r.Context())
	if err != nil {
		return err
	}
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		return errNoNetwork
	}
	if err := page.clockOf(n.Fleet); err != nil {
		return err
	}
	text, path, err := page.rewritten(d)
	if err == nil {
		page.Problems, page.Others = findings(text, path, form.PauseField)
		if len(page.Problems)+len(page.Others) > 0 {
			return c.renderPause(w, r, fault.Invalid.HTTP(), page)
		}
		if do == "apply" && page.Theirs == nil {
			if err = c.putInForce(r.Context(), d, text); err == nil {
				http.Redirect(w, r, "/plan/calendar?at="+page.day()+"&applied=1", http.StatusSeeOther)
				return nil
			}
		}
	}
	if err == nil {
		var from time.Time // when it begins to make a difference
		if !page.Removing {
			if page.Next = nextTimes(text, path, c.options.Now()); len(page.Next) > 0 && page.Next[0].From.After(c.options.Now()) {
				from = page.Next[0].From
			}
		}
		page.Tried, err = c.try(r.Context(), "pause", text, from)
	}
	status := http.StatusOK
	if page.Theirs != nil {
		status = fault.Conflict.HTTP()
	}
	if err != nil {
		if page.Trouble, err = c.formTrouble(err); err != nil {
			return err
		}
		status = page.Trouble.Status
	}
	return c.renderPause(w, r, status, page)
}

// day is one on which the pause holds, for the calendar to open at.
func (p pausePage) day() string {
	at := p.From
	if p.Kind == form.Again {
		at = p.Start
	}
	if len(at) < len(time.DateOnly) {
		return ""
	}
	return at[:len(time.DateOnly)]
}

// rewritten is the file's text as the form wants it. A pause has no name: the one
// that is meant is the one that is still as it was when the form was opened.
func (p *pausePage) rewritten(d draft) (text, path string, err error) {
	if d.version != p.BasedOn {
		p.Theirs = &theirs{By: d.by, At: d.at, Version: d.version}
		p.BasedOn = d.version
	}
	from, into := kindOf(p.WasDark), kindOf(p.Kind == form.Dark)
	index := -1
	if p.Was != "" {
		was, err := rewrite.Read(p.Was)
		if err != nil {
			return "", "", fault.New(fault.Invalid, "was", "the form was not sent whole; open it again")
		}
		index = slices.IndexFunc(d.list(from), func(v rewrite.Value) bool { return rewrite.Equal(v, was) })
		if index < 0 {
			p.Was = "" // what was written goes in as a new one
			if p.Theirs == nil {
				p.Theirs = &theirs{By: d.by, At: d.at, Version: d.version}
			}
			p.Theirs.Gone = true
		}
	}
	if p.Removing {
		if index < 0 {
			return "", "", fault.New(fault.NotFound, "was", "the pause is not in the fleet file any more as it was")
		}
		text, _, err = d.with(from, index, nil)
		return text, "nothing", err
	}
	if index >= 0 && from != into { // a pause becomes a dark site, or the other way round
		if text, _, err = d.with(from, index, nil); err != nil {
			return "", "", err
		}
		said, err := rewrite.Read(text)
		if err != nil {
			return "", "", byHand(err)
		}
		d.text, d.root, _ = text, said.(rewrite.Map), index
		index = -1
	}
	return d.with(into, index, p.Write(p.zone()))
}

func kindOf(dark bool) string {
	if dark {
		return "dark"
	}
	return "pause"
}

// lookAhead is how far the next times of a pause are looked for.
const lookAhead = 400 * 24 * time.Hour

// nextTimes are when the pause at a path of a text holds next.
func nextTimes(text, path string, now time.Time) []pauseTime {
	f, err := fleet.Read("fleet file", []byte(text))
	if err != nil {
		return nil
	}
	held := heldBetween(f, now, now.Add(lookAhead))
	key := strings.TrimSuffix(strings.NewReplacer("pauses[", "pause.", "dark[", "dark.").Replace(path), "]")
	if i := slices.IndexFunc(held, func(h heldPause) bool { return h.key == key }); i >= 0 {
		return timesOf(f, held, held[i].pause, 6)
	}
	return nil
}
