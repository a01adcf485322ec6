package people

import "slices"

// Role is what somebody is trusted with.
type Role string

// The roles, each with all that the one before it may do.
const (
	Viewer   Role = "viewer"
	Operator Role = "operator"
	Admin    Role = "admin"
)

// Roles are all of them, the least first.
var Roles = []Role{Viewer, Operator, Admin}

// rank is 0 for what is no role.
func (r Role) rank() int { return slices.Index(Roles, r) + 1 }

// Known says whether it is a role at all.
func (r Role) Known() bool { return r.rank() > 0 }

// Least is the lower one of two roles.
func Least(a, b Role) Role {
	if a.rank() < b.rank() {
		return a
	}
	return b
}

// Everywhere stands in Person.Sites for all sites, those to come included. No
// site can have this name.
const Everywhere = "*"

// Person is somebody who is known. The zero value is nobody.
type Person struct {
	Name        string   // the log-in name
	Role        Role     // of the account, or of the token where that has a lower one
	Sites       []string // that an operator is assigned to; Everywhere for all
	PasswordDue bool     // must choose a password before anything else
}

// Nobody says whether nobody is known.
func (p Person) Nobody() bool { return p.Name == "" }

// at says whether somebody is assigned to a site; "" is the whole network.
func (p Person) at(site string) bool {
	return p.Role == Admin || slices.Contains(p.Sites, Everywhere) || site != "" && slices.Contains(p.Sites, site)
}
