package console

import (
	"context"
	"net/http"
	"strconv"
	"strings"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// editPage is where the fleet file is changed: written, tried, applied.
type editPage struct {
	YAML    string
	BasedOn int64
	Trouble *trouble
	Tried   *tried // nil: not tried yet
	Applied bool   // it was just put in force

	// Set when somebody else has changed the file meanwhile.
	Theirs   string
	TheirsBy string
	TheirsAt time.Time
	Version  int64
}

// tried is what a fleet file would change.
type tried struct {
	Changes  []string
	Warnings []*apiv1.Finding
	Airtime  []airtime
	Stopped  string    // why the airtime could not be compared
	From, To time.Time // the day that is compared; zero: from now on

	Untouched bool // nobody's airtime changes, whatever it is
}

// airtime is what one beacon gets before and after.
type airtime struct {
	Beacon, Site          string
	WantedOld, GrantedOld int
	WantedNew, GrantedNew int
	New, Gone             bool
}

// Change is how many transmissions more it gets.
func (a airtime) Change() int { return a.GrantedNew - a.GrantedOld }

// tryWithin bounds how long a trial may plan.
const tryWithin = 20 * time.Second

func (c *Console) showEdit(w http.ResponseWriter, r *http.Request) error {
	current, err := c.fleets.GetFleet(r.Context(), &apiv1.GetFleetRequest{})
	if err != nil {
		return err
	}
	page := editPage{YAML: current.GetYaml(), BasedOn: current.GetVersion(), Applied: r.FormValue("applied") != ""}
	if page.YAML == "" {
		page.YAML = firstFleet
	}
	c.render(w, r, http.StatusOK, "edit", frame{Title: "Change the fleet", Tab: "/plan", Body: page})
	return nil
}

// edited reads the form.
func edited(r *http.Request) (editPage, error) {
	basedOn, err := strconv.ParseInt(r.PostFormValue("based_on"), 10, 64)
	if err != nil {
		return editPage{}, fault.New(fault.Invalid, "based_on", "the form was not sent whole; open it again")
	}
	// Whoever has taken over another one's change goes on from there.
	if seen, err := strconv.ParseInt(r.PostFormValue("seen"), 10, 64); err == nil && seen > basedOn {
		basedOn = seen
	}
	// A form ends its lines in two characters, a fleet file in one.
	return editPage{YAML: strings.ReplaceAll(r.PostFormValue("yaml"), "\r\n", "\n"), BasedOn: basedOn}, nil
}

// tryFleet says what the file would change, and changes nothing.
func (c *Console) tryFleet(w http.ResponseWriter, r *http.Request) error {
	page, err := edited(r)
	if err != nil {
		return err
	}
	status := http.StatusOK
	diff, err := c.fleets.DiffFleet(r.Context(), &apiv1.DiffFleetRequest{File: "fleet file", Yaml: page.YAML})
	if err != nil {
		told := c.understand(err)
		page.Trouble, status = &told, told.Status
	} else {
		page.Tried = &tried{Changes: diff.GetChanges(), Warnings: diff.GetWarnings()}
		if err := c.compare(r.Context(), page.YAML, page.Tried); err != nil {
			return err
		}
	}
	if err := c.noteOthers(r.Context(), &page); err != nil {
		return err
	}
	c.render(w, r, status, "edit", frame{Title: "Change the fleet", Tab: "/plan", Body: page})
	return nil
}

// noteOthers shows what somebody else has put in force since the form was opened.
func (c *Console) noteOthers(ctx context.Context, page *editPage) error {
	current, err := c.fleets.GetFleet(ctx, &apiv1.GetFleetRequest{})
	if err != nil || current.GetVersion() == page.BasedOn {
		return err
	}
	page.Theirs, page.TheirsBy, page.TheirsAt, page.Version = current.GetYaml(), current.GetAppliedBy(), current.GetAppliedAt().AsTime(), current.GetVersion()
	return nil
}

// compare plans the coming day for both fleets and sets what everybody gets
// side by side.
func (c *Console) compare(ctx context.Context, yaml string, t *tried) error {
	n, err := c.network(ctx)
	if err != nil {
		return err
	}
	next, err := fleet.Read("fleet file", []byte(yaml))
	if err != nil {
		return err // it was accepted a moment ago
	}
	length := next.Network.Slot
	if t.From.IsZero() {
		t.From = c.options.Now()
	}
	t.From = length.Start(length.At(t.From) + 1)
	t.To = t.From.Add(24 * time.Hour)
	ctx, cancel := context.WithTimeout(ctx, tryWithin)
	defer cancel()
	old, oldErr := c.grants(ctx, n.Fleet, t)
	made, newErr := c.grants(ctx, next, t)
	for _, err := range []error{oldErr, newErr} {
		if err != nil {
			t.Stopped = err.Error()
			return nil
		}
	}
	for _, b := range (network{Fleet: next}).sorted() {
		was, had := old[b.Name]
		t.Airtime = append(t.Airtime, airtime{b.Name, b.Site.Name, was.wanted, was.granted, made[b.Name].wanted, made[b.Name].granted, !had, false})
	}
	if n.Fleet == nil {
		return nil
	}
	for _, b := range n.sorted() {
		if next.Beacon(b.Name) == nil {
			t.Airtime = append(t.Airtime, airtime{Beacon: b.Name, Site: b.Site.Name, WantedOld: old[b.Name].wanted, GrantedOld: old[b.Name].granted, Gone: true})
		}
	}
	return nil
}

type grant struct{ wanted, granted int }

// grants plans a day of a fleet and counts what each beacon wants and gets.
func (c *Console) grants(ctx context.Context, f *fleet.Fleet, t *tried) (map[string]grant, error) {
	if f == nil {
		return nil, nil //nolint:nilnil // nobody gets anything yet
	}
	in := planner.Input{Fleet: f, From: t.From, To: t.To}
	length := f.Network.Slot
	first, end := length.Starting(in.From, in.To)
	in.From, in.To = length.Start(first), length.Start(end)
	p, err := planner.Make(in, func(int, int) bool { return ctx.Err() != nil })
	if err != nil {
		return nil, err
	}
	counted := map[string]grant{}
	for _, b := range plan.Measure(f, p, plan.Extra{}).Beacons {
		counted[b.Beacon] = grant{int(b.Wanted), int(b.Granted)}
	}
	return counted, nil
}

// applyFleet puts the file in force. Where somebody else was first, nothing of
// either is lost: the form comes back with both.
func (c *Console) applyFleet(w http.ResponseWriter, r *http.Request) error {
	page, err := edited(r)
	if err != nil {
		return err
	}
	_, err = c.fleets.ApplyFleet(r.Context(), &apiv1.ApplyFleetRequest{File: "fleet.yaml", Yaml: page.YAML, BasedOn: page.BasedOn})
	if err == nil {
		http.Redirect(w, r, "/plan/edit?applied=1", http.StatusSeeOther)
		return nil
	}
	told := c.understand(err)
	if told.Status == http.StatusUnauthorized || told.Status == http.StatusForbidden {
		return err
	}
	page.Trouble = &told
	if err := c.noteOthers(r.Context(), &page); err != nil {
		return err
	}
	c.render(w, r, told.Status, "edit", frame{Title: "Change the fleet", Tab: "/plan", Body: page})
	return nil
}
