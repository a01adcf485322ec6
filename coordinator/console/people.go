package console

import (
	"net/http"
	"slices"
	"strings"

	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// peoplePage is everybody with an account, and the form for one more.
type peoplePage struct {
	People   []*apiv1.Person
	Sites    []string
	Roles    []string
	Adding   *apiv1.Person // as it was written
	Added    string        // who just got an account
	Reset    string        // who just got another password
	Password string        // theirs, told this once
	Trouble  *trouble
}

// Assigned says whether a site is ticked.
func (p peoplePage) Assigned(site string) bool { return slices.Contains(p.Adding.GetSites(), site) }

// roleWords is a role with what it means.
func roleWords(role string) string {
	switch role {
	case "viewer":
		return "viewer: sees everything, changes nothing"
	case "operator":
		return "operator: hushes and releases, takes alerts on"
	case "admin":
		return "admin: may do everything, everywhere"
	}
	return role
}

// roles are what an account can be, the least first.
var roles = []string{"viewer", "operator", "admin"}

func (c *Console) showPeople(w http.ResponseWriter, r *http.Request) error {
	return c.listPeople(w, r, http.StatusOK, peoplePage{Adding: &apiv1.Person{Role: roles[0]}})
}

func (c *Console) listPeople(w http.ResponseWriter, r *http.Request, status int, page peoplePage) error {
	listed, err := c.people.ListPeople(r.Context(), &apiv1.ListPeopleRequest{})
	if err != nil {
		return err
	}
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	page.People, page.Sites, page.Roles = listed.GetPeople(), n.siteNames(), roles
	c.render(w, r, status, "people", frame{Title: "People", Tab: "/people", Body: page})
	return nil
}

// addPerson makes an account, and shows its first password this once.
func (c *Console) addPerson(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return fault.New(fault.Invalid, "", "the form was not sent whole; open it again")
	}
	page := peoplePage{Adding: &apiv1.Person{
		Name: strings.TrimSpace(r.PostFormValue("name")), Role: r.PostFormValue("role"), Sites: r.PostForm["site"],
		Contact: strings.TrimSpace(r.PostFormValue("contact")),
	}}
	added, err := c.people.AddPerson(r.Context(), &apiv1.AddPersonRequest{Person: page.Adding})
	if err != nil {
		if page.Trouble, err = c.formTrouble(err); err != nil {
			return err
		}
		return c.listPeople(w, r, page.Trouble.Status, page)
	}
	page.Added, page.Password, page.Adding = page.Adding.GetName(), added.GetPassword(), &apiv1.Person{Role: roles[0]}
	return c.listPeople(w, r, http.StatusOK, page)
}

// showEndForm asks once before an account is ended.
func (c *Console) showEndForm(w http.ResponseWriter, r *http.Request) error {
	p, err := c.person(r)
	if err != nil {
		return err
	}
	c.render(w, r, http.StatusOK, "endperson", frame{Title: "End an account", Tab: "/people", Body: p})
	return nil
}

// endPerson ends an account with all its sessions.
func (c *Console) endPerson(w http.ResponseWriter, r *http.Request) error {
	if _, err := c.people.EndPerson(r.Context(), &apiv1.EndPersonRequest{Name: r.PathValue("person")}); err != nil {
		return err
	}
	http.Redirect(w, r, "/people", http.StatusSeeOther)
	return nil
}
