package console

import "context"

// Person is who looks.
type Person struct {
	Name string // as it stands in records: "operator on the coordinator's computer"
	Role string // in words for the page; empty: there are no accounts
}

// Action is what somebody wants to do.
type Action string

// The actions that pages offer.
const (
	Look         Action = "look"          // see everything but the public pages
	Hush         Action = "hush"          // order silence
	Release      Action = "release"       // end it
	ChangeFleet  Action = "change_fleet"  // put a fleet file in force
	Enrol        Action = "enrol"         // get what a beacon's agent needs
	Acknowledge  Action = "acknowledge"   // take an alert on, and silence alerts
	ReadTrail    Action = "read_trail"    // see who did what
	ManagePeople Action = "manage_people" // see, add and end accounts
)

// Access says who asks and what they may do. The services check again whatever
// it says: here it decides what is shown.
type Access interface {
	// Who is the person behind a request; false: nobody is known.
	Who(ctx context.Context) (Person, bool)
	// May says whether that person may do something, somewhere at least.
	May(ctx context.Context, do Action) bool
	// MayAt says whether that person may do something at a site; "" is the whole
	// network.
	MayAt(ctx context.Context, do Action, site string) bool
	// LogIn is the address where a person says who they are; empty: there is none.
	LogIn() string
	// LogOut is the address that a form is sent to by whoever leaves; empty: there
	// is none.
	LogOut() string
	// Account is the address of the page about a person's own account; empty: there
	// is none.
	Account() string
}

// Open is the access of a coordinator without accounts, which only its own
// computer can reach: whoever is there may do everything.
type Open struct{}

// Who is always the same.
func (Open) Who(context.Context) (Person, bool) {
	return Person{Name: "operator on the coordinator's computer"}, true
}

// May is always yes.
func (Open) May(context.Context, Action) bool { return true }

// MayAt is always yes.
func (Open) MayAt(context.Context, Action, string) bool { return true }

// LogIn is nowhere.
func (Open) LogIn() string { return "" }

// LogOut is nowhere.
func (Open) LogOut() string { return "" }

// Account is nowhere.
func (Open) Account() string { return "" }
