package console

import (
	"encoding/hex"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// trailShown is how many entries of the trail a page shows.
const trailShown = 50

// outcomes are how what somebody did can have ended.
var outcomes = []string{"asked", "done", "refused", "failed"}

// trailPage is who did what, as far as it is looked for.
type trailPage struct {
	Entries []*apiv1.TrailEntry
	Search  *apiv1.ListEntriesRequest
	Sites   []string
	Older   string // where it goes on; empty: this is the end
	Trouble *trouble
}

func (c *Console) showTrail(w http.ResponseWriter, r *http.Request) error {
	page := trailPage{Search: &apiv1.ListEntriesRequest{
		Person: strings.TrimSpace(r.FormValue("person")), Action: strings.TrimSpace(r.FormValue("action")), Site: r.FormValue("site"),
		Outcome: r.FormValue("outcome"), Text: strings.TrimSpace(r.FormValue("text")), Most: trailShown,
	}}
	if before := r.FormValue("before"); before != "" {
		var err error
		if page.Search.Before, err = strconv.ParseInt(before, 10, 64); err != nil {
			return fault.New(fault.Invalid, "before", "the list goes on before the number of an entry")
		}
	}
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	page.Sites = n.siteNames()
	status := http.StatusOK
	listed, err := c.trail.ListEntries(r.Context(), page.Search)
	if err != nil {
		if page.Trouble, err = c.formTrouble(err); err != nil {
			return err
		}
		status = page.Trouble.Status
	}
	page.Entries = listed.GetEntries()
	if len(page.Entries) == trailShown {
		page.Older = "/trail?" + older(page.Search, page.Entries[trailShown-1].GetNumber())
	}
	c.render(w, r, status, "trail", frame{Title: "Trail", Tab: "/trail", Body: page})
	return nil
}

// older is the query of the same search, before an entry.
func older(search *apiv1.ListEntriesRequest, before int64) string {
	query := url.Values{"before": {strconv.FormatInt(before, 10)}}
	for key, value := range map[string]string{
		"person": search.GetPerson(), "action": search.GetAction(), "site": search.GetSite(), "outcome": search.GetOutcome(), "text": search.GetText(),
	} {
		if value != "" {
			query.Set(key, value)
		}
	}
	return query.Encode()
}

// siteNames are the names of the sites; none where there is no fleet.
func (n network) siteNames() (names []string) {
	if n.Fleet == nil {
		return nil
	}
	for _, s := range n.Sites {
		names = append(names, s.Name)
	}
	return names
}

// checkTrail says whether an entry was changed, removed or put in.
func (c *Console) checkTrail(w http.ResponseWriter, r *http.Request) error {
	checked, err := c.trail.VerifyTrail(r.Context(), &apiv1.VerifyTrailRequest{})
	if err != nil {
		return err
	}
	c.render(w, r, http.StatusOK, "trailcheck", frame{Title: "The trail checked", Tab: "/trail", Body: map[string]any{
		"Entries": checked.GetEntries(), "Head": hex.EncodeToString(checked.GetHead()), "Reason": checked.GetReason(),
	}})
	return nil
}
