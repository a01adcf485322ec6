package console

import (
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// HushPath is where silence is asked for, and ordered. It works while the database
// is away.
const HushPath = "/hush"

// hushForm asks once before there is silence.
type hushForm struct {
	Choices []choice
	Chosen  string
	Reason  string
	Trouble *trouble

	Hushes []*apiv1.HushInForce // to be released
	Others int                  // hushes that are for others to release
}

// choice is a scope that can be hushed.
type choice struct {
	Value string // site:hilltop, beacon:mill-hf, band:40m; empty: the whole network
	Words string
	Group string
}

// instead of a reason that nobody had the time to write.
const noTime = "hushed from the console, reason to follow"

// allowed are the choices at which the person who looks may do something.
func (c *Console) allowed(ctx context.Context, n network, do Action) []choice {
	return slices.DeleteFunc(n.choices(), func(one choice) bool {
		scope, err := scopeOf(one.Value)
		return err != nil || !c.options.Access.MayAt(ctx, do, n.siteOf(scope))
	})
}

// siteOf is the site that a scope lies in; empty: in no single one.
func (n network) siteOf(s *apiv1.HushedScope) string {
	if s.GetBeacon() == "" || n.Fleet == nil {
		return s.GetSite()
	}
	if b := n.Beacon(s.GetBeacon()); b != nil {
		return b.Site.Name
	}
	return ""
}

func (n network) choices() []choice {
	list := []choice{{Value: "", Words: "the whole network", Group: "Everything"}}
	for _, s := range n.Sites {
		list = append(list, choice{"site:" + s.Name, "site " + s.Name, "One site"})
	}
	for _, b := range n.sorted() {
		list = append(list, choice{"beacon:" + b.Name, "beacon " + b.Name + " (" + b.Callsign + ")", "One beacon"})
	}
	for _, name := range n.bandNames() {
		list = append(list, choice{"band:" + name, "band " + name, "One band, everywhere"})
	}
	return list
}

// scopeOf reads a choice.
func scopeOf(value string) (*apiv1.HushedScope, error) {
	if value == "" {
		return &apiv1.HushedScope{}, nil
	}
	scope := &apiv1.HushedScope{}
	for part := range strings.SplitSeq(value, " ") {
		kind, name, _ := strings.Cut(part, ":")
		switch kind {
		case "site":
			scope.Site = name
		case "beacon":
			scope.Beacon = name
		case "band":
			scope.Band = name
		default:
			return nil, fault.New(fault.Invalid, "scope", "choose what is to be silent")
		}
	}
	return scope, nil
}

// valueOf is a scope as scopeOf reads it.
func valueOf(s *apiv1.HushedScope) string {
	var parts []string
	for _, p := range [][2]string{{"site", s.GetSite()}, {"beacon", s.GetBeacon()}, {"band", s.GetBand()}} {
		if p[1] != "" {
			parts = append(parts, p[0]+":"+p[1])
		}
	}
	return strings.Join(parts, " ")
}

// scopeWords is a scope in words.
func scopeWords(s *apiv1.HushedScope) string {
	return fleet.Scope{Site: s.GetSite(), Beacon: s.GetBeacon(), Band: s.GetBand()}.String()
}

func (c *Console) showHushForm(w http.ResponseWriter, r *http.Request) error {
	return c.askHush(w, r, http.StatusOK, hushForm{Chosen: r.FormValue("scope"), Reason: noTime})
}

func (c *Console) askHush(w http.ResponseWriter, r *http.Request, status int, form hushForm) error {
	n, err := c.networkSoon(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		return errNoNetwork
	}
	form.Choices = c.allowed(r.Context(), n, Hush)
	c.render(w, r, status, "hushform", frame{Title: "Hush", Ahead: n.file == nil, Body: form})
	return nil
}

func (c *Console) giveHush(w http.ResponseWriter, r *http.Request) error {
	form := hushForm{Chosen: r.PostFormValue("scope"), Reason: strings.TrimSpace(r.PostFormValue("reason"))}
	given, err := c.order(r, form)
	if err != nil {
		told := c.understand(err)
		if told.Status == http.StatusUnauthorized || told.Status == http.StatusForbidden {
			return err
		}
		form.Trouble = &told
		return c.askHush(w, r, told.Status, form)
	}
	if given.GetAhead() {
		c.render(w, r, http.StatusAccepted, "hushahead", frame{Title: "Hush, not stored yet", Ahead: true, Body: map[string]any{"Beacons": int(given.GetBeacons())}})
		return nil
	}
	http.Redirect(w, r, HushPath+"/"+strconv.FormatInt(given.GetHush(), 10), http.StatusSeeOther)
	return nil
}

// order gives the hush, and returns as soon as it is stored, or went out ahead of
// that.
func (c *Console) order(r *http.Request, form hushForm) (*apiv1.HushResponse, error) {
	scope, err := scopeOf(form.Chosen)
	if err != nil {
		return nil, err
	}
	stream, err := c.hushes.Hush(r.Context(), &apiv1.HushRequest{Scope: scope, Reason: form.Reason})
	if err != nil {
		return nil, err
	}
	return stream.Recv()
}

// showHush says beacon by beacon whose keyer has confirmed.
func (c *Console) showHush(w http.ResponseWriter, r *http.Request) error {
	number, err := strconv.ParseInt(r.PathValue("hush"), 10, 64)
	if err != nil {
		return errNoPage
	}
	hush, err := c.history.GetHush(r.Context(), &apiv1.GetHushRequest{Hush: number})
	if err != nil {
		return err
	}
	confirmed := 0
	for _, b := range hush.GetBeacons() {
		if b.GetConfirmed() {
			confirmed++
		}
	}
	f := frame{Title: "Hush " + strconv.FormatInt(number, 10), Body: map[string]any{
		"Number": number, "Hush": hush.GetHush(), "Beacons": hush.GetBeacons(), "Confirmed": confirmed, "All": len(hush.GetBeacons()),
	}}
	if confirmed < len(hush.GetBeacons()) && hush.GetHush() != nil {
		f.Refresh = 2
	}
	c.render(w, r, http.StatusOK, "hush", f)
	return nil
}

func (c *Console) showReleaseForm(w http.ResponseWriter, r *http.Request) error {
	return c.askRelease(w, r, http.StatusOK, hushForm{Chosen: r.FormValue("scope")})
}

func (c *Console) askRelease(w http.ResponseWriter, r *http.Request, status int, form hushForm) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	list, err := c.hushes.ListHushes(r.Context(), &apiv1.ListHushesRequest{})
	if err != nil {
		return err
	}
	for _, h := range list.GetHushes() {
		if c.options.Access.MayAt(r.Context(), Release, n.siteOf(h.GetScope())) {
			form.Hushes = append(form.Hushes, h)
		} else {
			form.Others++
		}
	}
	c.render(w, r, status, "releaseform", frame{Title: "Release", Body: form})
	return nil
}

// release ends the hushes of exactly one scope.
func (c *Console) release(w http.ResponseWriter, r *http.Request) error {
	form := hushForm{Chosen: r.PostFormValue("scope"), Reason: strings.TrimSpace(r.PostFormValue("reason"))}
	scope, err := scopeOf(form.Chosen)
	if err == nil {
		var released *apiv1.ReleaseResponse
		released, err = c.hushes.Release(r.Context(), &apiv1.ReleaseRequest{Scope: scope, Reason: form.Reason})
		if err == nil {
			c.render(w, r, http.StatusOK, "released", frame{Title: "Released", Body: map[string]any{
				"Scope": scopeWords(scope), "Still": released.GetStillHushed(), "Count": released.GetReleased(),
			}})
			return nil
		}
	}
	told := c.understand(err)
	if told.Status == http.StatusUnauthorized || told.Status == http.StatusForbidden {
		return err
	}
	form.Trouble = &told
	return c.askRelease(w, r, told.Status, form)
}
