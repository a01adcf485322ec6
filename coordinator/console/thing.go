package console

import (
	"context"
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
	"lamplighter/proto/onair/band"
)

// thingPage is the form of one thing of the fleet file.
type thingPage struct {
	Kind     string // network, site, beacon, receiver, public, recipient, limits, reports
	Name     string // empty: a new one
	Sheet    form.Sheet
	Values   form.Values
	Was      string // what stood in the file when the form was opened
	BasedOn  int64  // the version of the file that it stood in
	Problems map[string][]string
	Others   fleet.Findings // what is wrong elsewhere in the file by then
	Trouble  *trouble
	Tried    *tried
	Removing bool // what was tried is to take it out
	Theirs   *theirs
	Zones    []string
	Applied  bool
}

// theirs is what somebody else has put in force since a form was opened.
type theirs struct {
	By      string
	At      time.Time
	Version int64
	Taken   []form.Field // that they changed, and whoever fills in the form did not
	Clashes []form.Clash
	Gone    bool // they took it out
}

// formRoutes are the pages on which people ask, bring and change things.
func (c *Console) formRoutes(page func(string, Action, func(http.ResponseWriter, *http.Request) error)) {
	page("GET /plan/fleet", ChangeFleet, c.showFleet)
	for _, kind := range []string{"network", "site", "beacon", "receiver", "public", "recipient", "limits", reports} {
		show := func(w http.ResponseWriter, r *http.Request) error { return c.showThing(w, r, kind) }
		change := func(w http.ResponseWriter, r *http.Request) error { return c.changeThing(w, r, kind) }
		page("GET /plan/"+kind, ChangeFleet, show)
		page("POST /plan/"+kind, ChangeFleet, change)
		if !nameless(kind) {
			page("GET /plan/"+kind+"/{name}", ChangeFleet, show)
			page("POST /plan/"+kind+"/{name}", ChangeFleet, change)
		}
	}
	page("GET /plan/calendar", Look, c.showCalendar)
	page("GET /plan/pause", ChangeFleet, c.showPause)
	page("POST /plan/pause", ChangeFleet, c.changePause)
	page("GET /people/{person}", ManagePeople, c.showPerson)
	page("POST /people/{person}", ManagePeople, c.changePerson)
	page("GET /people/{person}/password", ManagePeople, c.showReset)
	page("POST /people/{person}/password", ManagePeople, c.resetPassword)
	page("GET /who", Look, c.showWho)
	page("GET /who/page", Look, c.serveWho)
	page("GET /heard", Look, c.showHeard)
	page("POST /heard", Acknowledge, c.addHeard)
	page("GET /alerts/test", ManagePeople, c.showDrill) // who may try them is who manages people
	page("POST /alerts/test", ManagePeople, c.drill)
}

// showFleet lists all that can be changed.
func (c *Console) showFleet(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		http.Redirect(w, r, "/plan/network", http.StatusSeeOther)
		return nil
	}
	at := map[string][]*fleet.Beacon{}
	for _, b := range n.Beacons {
		at[b.Site.Name] = append(at[b.Site.Name], b)
	}
	c.render(w, r, http.StatusOK, "fleet", frame{Title: "The fleet", Tab: "/plan", Body: map[string]any{
		"Network": n.Network, "Sites": n.Sites, "At": at, "Receivers": n.Receivers, "Recipients": n.Alerts.Recipients, "Subscribers": n.Subscribers, "Version": n.file.GetVersion(), "By": n.file.GetAppliedBy(), "When": n.file.GetAppliedAt().AsTime(),
		"Applied": r.FormValue("applied") != "",
	}})
	return nil
}

// sheet is what is asked about a thing of a kind.
func (c *Console) sheet(ctx context.Context, kind string) (form.Sheet, error) {
	n, err := c.network(ctx)
	if err != nil {
		return nil, err
	}
	table, known := band.Standard(), form.Known{}
	if n.Fleet != nil {
		table, known.Sites = n.Network.Bands, n.siteNames()
	}
	for _, b := range table.All() {
		known.Bands = append(known.Bands, b.Name)
	}
	switch kind {
	case "network":
		return form.Network(known), nil
	case "site":
		return form.Site(known), nil
	case "receiver":
		return form.Receiver(known), nil
	case "public":
		return form.Public(known), nil
	case "recipient":
		return form.Recipient(known), nil
	case "limits":
		return form.Limits(known), nil
	case reports:
		return form.Reports(known), nil
	}
	return form.Beacon(known), nil
}

func (c *Console) showThing(w http.ResponseWriter, r *http.Request, kind string) error {
	d, err := c.draft(r.Context())
	if err != nil {
		return err
	}
	if d.version == 0 && kind != "network" {
		http.Redirect(w, r, "/plan/network", http.StatusSeeOther)
		return nil
	}
	page := thingPage{Kind: kind, Name: r.PathValue("name"), BasedOn: d.version, Applied: r.FormValue("applied") != ""}
	if page.Sheet, err = c.sheet(r.Context(), kind); err != nil {
		return err
	}
	thing := d.thing(kind, page.Name)
	if thing == nil && page.Name != "" {
		return fault.New(fault.NotFound, "name", "there is no %s %.64q in the fleet", kind, page.Name)
	}
	page.Values = page.Sheet.Read(thing)
	page.Was = page.Values.Encode()
	if kind == "beacon" && page.Name == "" && r.FormValue("site") != "" {
		page.Values["site"] = r.FormValue("site")
	}
	return c.renderThing(w, r, http.StatusOK, page)
}

func (c *Console) renderThing(w http.ResponseWriter, r *http.Request, status int, page thingPage) error {
	page.Zones = zone.Names()
	c.render(w, r, status, "thing", frame{Title: page.Title(), Tab: "/plan", Scripts: []string{"forms.js"}, Body: page})
	return nil
}

// Title says what the form is about.
func (p thingPage) Title() string {
	switch {
	case p.Kind == "network":
		return "The network"
	case p.Kind == "public":
		return "The public page"
	case p.Kind == "limits":
		return "When somebody is told"
	case p.Kind == reports:
		return "Who gets the weekly report"
	case p.Kind == "recipient" && p.Name == "":
		return "Who else hears of alerts"
	case p.Name == "":
		return "A new " + p.Kind
	}
	return strings.ToUpper(p.Kind[:1]) + p.Kind[1:] + " " + p.Name
}

// Going says what it means that the thing is to go.
func (p thingPage) Going() string {
	switch p.Kind {
	case "recipient":
		return "They hear of no alert any more."
	case "receiver":
		return "Its device is let in no more. What it reported stays in the records."
	}
	return "Its slots are withdrawn, and its agent stays silent. What was on the air stays in the records."
}

// place is the key of the field that a finding within the thing is about.
func (p thingPage) place(key string) string {
	if p.Kind == reports {
		key = reports + key
	}
	return p.Sheet.Place(key)
}

// sentThing reads a form that was sent.
func (c *Console) sentThing(r *http.Request, kind string) (thingPage, error) {
	page := thingPage{Kind: kind, Name: r.PathValue("name"), Was: r.PostFormValue("was")}
	basedOn, err := strconv.ParseInt(r.PostFormValue("based_on"), 10, 64)
	if err != nil {
		return page, fault.New(fault.Invalid, "based_on", "the form was not sent whole; open it again")
	}
	page.BasedOn = basedOn
	if page.Sheet, err = c.sheet(r.Context(), kind); err != nil {
		return page, err
	}
	page.Values = page.Sheet.Filled(r.PostFormValue)
	return page, nil
}

// changeThing tries what was filled in, or puts it in force.
func (c *Console) changeThing(w http.ResponseWriter, r *http.Request, kind string) error {
	page, err := c.sentThing(r, kind)
	if err != nil {
		return err
	}
	do := r.PostFormValue("do")
	page.Removing = do == "remove" || do == "apply" && r.PostFormValue("removing") != ""
	d, err := c.draft(r.Context())
	if err != nil {
		return err
	}
	thing := c.join(&page, d)
	text, path, err := c.rewritten(&page, d, thing)
	if err == nil {
		page.Problems, page.Others = findings(text, path, page.place)
		if len(page.Problems)+len(page.Others) > 0 {
			return c.renderThing(w, r, fault.Invalid.HTTP(), page)
		}
		if do == "apply" && page.Theirs == nil {
			if err = c.putInForce(r.Context(), d, text); err == nil {
				http.Redirect(w, r, "/plan/fleet?applied=1", http.StatusSeeOther)
				return nil
			}
		}
	}
	if err == nil {
		page.Tried, err = c.try(r.Context(), kind, text, time.Time{})
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
	return c.renderThing(w, r, status, page)
}

// join brings the form up to the file in force: what somebody else has changed
// meanwhile is taken over where the person at the form left it alone. It returns
// the thing as it is in force.
func (c *Console) join(page *thingPage, d draft) rewrite.Map {
	thing := d.thing(page.Kind, page.Name)
	if page.Name == "" && !nameless(page.Kind) {
		thing = nil
	}
	if d.version == page.BasedOn {
		return thing
	}
	was, now := form.Decode(page.Was), page.Sheet.Read(thing)
	page.Theirs = &theirs{By: d.by, At: d.at, Version: d.version, Gone: thing == nil && page.Name != ""}
	if !page.Theirs.Gone {
		page.Values, page.Theirs.Taken, page.Theirs.Clashes = page.Sheet.Merge(was, page.Values, now)
	}
	page.BasedOn, page.Was = d.version, now.Encode()
	return thing
}

// rewritten is the file's text as the form wants it.
func (c *Console) rewritten(page *thingPage, d draft, thing rewrite.Map) (text, path string, err error) {
	index := -1
	if page.Name != "" {
		index = d.index(page.Kind, page.Name)
	}
	if page.Removing {
		if err := d.mayGo(page.Kind, page.Name); err != nil {
			return "", "", err
		}
		if index < 0 {
			return "", "", fault.New(fault.NotFound, "name", "%s %s is not in the fleet any more", page.Kind, page.Name)
		}
		text, _, err = d.with(page.Kind, index, nil)
		return text, "nothing", err
	}
	if page.Name != "" {
		page.Values["name"] = page.Name // it stays
	}
	return d.with(page.Kind, index, page.Sheet.Write(thing, page.Values))
}

// mayGo says what has to go first.
func (d draft) mayGo(kind, name string) error {
	if kind != "site" {
		return nil
	}
	var still []string
	for _, v := range d.list("beacon") {
		if b, ok := v.(rewrite.Map); ok && b.Get("site") == rewrite.Text(name) {
			if own, ok := b.Get("name").(rewrite.Text); ok {
				still = append(still, string(own))
			}
		}
	}
	if len(still) == 0 {
		return nil
	}
	slices.Sort(still)
	return fault.New(fault.Refused, "site", "site %s still has %s: move that to another site or take it out first", name, strings.Join(still, ", "))
}

// asked is a field as a page shows it.
type asked struct {
	form.Field
	ID, Name string // of the input
	Value    string
	Problems []string
	Rows     []askedRow
	Locked   bool
	Row      int // of a table, from 1
}

type askedRow struct {
	Number int
	Cells  []asked
}

type askedGroup struct {
	form.Group
	Asked []asked
	Open  bool
}

// spare rows of a table are there to be filled in.
const spare = 2

// Groups are the groups of the sheet with what is filled in.
func (p thingPage) Groups() []askedGroup {
	groups := make([]askedGroup, len(p.Sheet))
	for i, g := range p.Sheet {
		groups[i] = askedGroup{Group: g, Open: !g.Folded}
		for _, f := range g.Fields {
			a := p.ask(f)
			groups[i].Asked = append(groups[i].Asked, a)
			groups[i].Open = groups[i].Open || a.filled()
		}
	}
	return groups
}

func (a asked) filled() bool {
	return a.Value != "" || len(a.Problems) > 0 || len(a.Rows) > spare
}

func (p thingPage) ask(f form.Field) asked {
	a := p.cell(f, f.Key)
	a.Locked = f.Fixed && (p.Name != "" || p.Kind == "network" && p.BasedOn != 0)
	if f.Kind != form.Rows {
		return a
	}
	for i := range len(p.Values.Rows(f)) + spare {
		row := askedRow{Number: i + 1}
		for _, column := range f.Columns {
			cell := p.cell(column, form.Cell(f.Key, i, column.Key))
			cell.Row = i + 1
			row.Cells = append(row.Cells, cell)
		}
		a.Rows = append(a.Rows, row)
	}
	return a
}

func (p thingPage) cell(f form.Field, key string) asked {
	return asked{Field: f, ID: "f-" + strings.ReplaceAll(key, ".", "-"), Name: key, Value: p.Values[key], Problems: p.Problems[key]}
}

// Whole are the problems of the thing as a whole.
func (p thingPage) Whole() []string { return p.Problems[""] }

// Wrong are the fields in which something is wrong.
func (p thingPage) Wrong() []asked {
	var wrong []asked
	for _, g := range p.Groups() {
		for _, a := range g.Asked {
			if len(a.Problems) > 0 {
				wrong = append(wrong, a)
			}
			for _, row := range a.Rows {
				for _, cell := range row.Cells {
					if len(cell.Problems) > 0 {
						cell.Label = a.Label + ", " + cell.Label
						wrong = append(wrong, cell)
					}
				}
			}
		}
	}
	return wrong
}
