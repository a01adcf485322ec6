package console

import (
	"net/http"
	"net/url"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// personPage is the form of one account.
type personPage struct {
	Person  *apiv1.Person // as it is filled in
	Sites   []string
	Roles   []string
	Was     string        // the account when the form was opened
	Now     *apiv1.Person // as somebody else has changed it meanwhile; nil: nobody has
	Trouble *trouble
}

// Assigned says whether a site is ticked.
func (p personPage) Assigned(site string) bool { return slices.Contains(p.Person.GetSites(), site) }

// person is the account in use of a request's path.
func (c *Console) person(r *http.Request) (*apiv1.Person, error) {
	listed, err := c.people.ListPeople(r.Context(), &apiv1.ListPeopleRequest{})
	if err != nil {
		return nil, err
	}
	for _, p := range listed.GetPeople() {
		if p.GetName() == r.PathValue("person") && p.EndedAt == nil {
			return p, nil
		}
	}
	return nil, fault.New(fault.NotFound, "person", "there is no account of that name in use")
}

// account is what a form changes of an account, as one word.
func account(p *apiv1.Person) string {
	return url.Values{"role": {p.GetRole()}, "site": slices.Sorted(slices.Values(p.GetSites())), "contact": {p.GetContact()}}.Encode()
}

func (c *Console) showPerson(w http.ResponseWriter, r *http.Request) error {
	p, err := c.person(r)
	if err != nil {
		return err
	}
	return c.askPerson(w, r, http.StatusOK, personPage{Person: p, Was: account(p)})
}

func (c *Console) askPerson(w http.ResponseWriter, r *http.Request, status int, page personPage) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet != nil {
		page.Sites = n.siteNames()
	}
	for _, site := range page.Person.GetSites() {
		if site != "*" && !slices.Contains(page.Sites, site) {
			page.Sites = append(page.Sites, site) // no longer in the fleet
		}
	}
	page.Roles = roles
	c.render(w, r, status, "person", frame{Title: page.Person.GetName(), Tab: "/people", Scripts: []string{"forms.js"}, Body: page})
	return nil
}

// changePerson changes what somebody may do and how they are reached.
func (c *Console) changePerson(w http.ResponseWriter, r *http.Request) error {
	p, err := c.person(r)
	if err != nil {
		return err
	}
	if err := r.ParseForm(); err != nil {
		return fault.New(fault.Invalid, "", "the form was not sent whole; open it again")
	}
	page := personPage{Person: proto.CloneOf(p), Was: r.PostFormValue("was")}
	page.Person.Role, page.Person.Sites, page.Person.Contact = r.PostFormValue("role"), r.PostForm["site"], strings.TrimSpace(r.PostFormValue("contact"))
	if account(p) != page.Was {
		page.Now, page.Was = p, account(p)
		return c.askPerson(w, r, fault.Conflict.HTTP(), page)
	}
	if _, err := c.people.ChangePerson(r.Context(), &apiv1.ChangePersonRequest{Person: page.Person}); err != nil {
		if page.Trouble, err = c.formTrouble(err); err != nil {
			return err
		}
		return c.askPerson(w, r, page.Trouble.Status, page)
	}
	http.Redirect(w, r, "/people", http.StatusSeeOther)
	return nil
}

// showReset asks once before somebody gets another password.
func (c *Console) showReset(w http.ResponseWriter, r *http.Request) error {
	p, err := c.person(r)
	if err != nil {
		return err
	}
	if p.GetOpenidSubject() != "" {
		return fault.New(fault.Refused, "person", "%s signs in through their organisation and has no password here", p.GetName())
	}
	c.render(w, r, http.StatusOK, "resetform", frame{Title: "Another password", Tab: "/people", Body: p})
	return nil
}

// resetPassword gives somebody another password, and shows it this once.
func (c *Console) resetPassword(w http.ResponseWriter, r *http.Request) error {
	given, err := c.people.ResetPassword(r.Context(), &apiv1.ResetPasswordRequest{Name: r.PathValue("person")})
	if err != nil {
		return err
	}
	return c.listPeople(w, r, http.StatusOK, peoplePage{Adding: &apiv1.Person{Role: roles[0]}, Reset: r.PathValue("person"), Password: given.GetPassword()})
}
