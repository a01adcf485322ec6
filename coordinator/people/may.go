package people

// Action is something that a person does.
type Action string

// The actions.
const (
	OwnAccount   Action = "own_account"   // see who one is, choose a password, make and end one's own tokens
	See          Action = "see"           // beacons, plans, hushes, duty, reports
	Hush         Action = "hush"          // order silence
	Release      Action = "release"       // end a hush
	Pause        Action = "pause"         // keep transmitters silent for a time
	Acknowledge  Action = "acknowledge"   // take an alert on
	TakeDuty     Action = "take_duty"     // be in control of a site, or put somebody on its roster
	ChangeFleet  Action = "change_fleet"  // put a fleet file in force
	Enrol        Action = "enrol"         // let devices in, renew and revoke them
	ManagePeople Action = "manage_people" // accounts and their tokens
	ReadTrail    Action = "read_trail"    // who did what
)

// Reason says why somebody may not do something; empty: they may.
type Reason string

// The reasons.
const (
	Allowed       Reason = ""
	NotKnown      Reason = "not_known"      // nobody has said who they are, or not rightly
	PasswordDue   Reason = "password_due"   // they must choose a password first
	RoleTooLow    Reason = "role_too_low"   // others may
	OtherSite     Reason = "other_site"     // they may elsewhere
	UnknownAction Reason = "unknown_action" // no rule lets anybody do it
)

// need is what an action takes.
type need struct {
	role    Role
	perSite bool // only at the sites assigned
}

var needs = map[Action]need{
	OwnAccount:   {Viewer, false},
	See:          {Viewer, false},
	Hush:         {Operator, true},
	Release:      {Operator, true},
	Pause:        {Operator, true},
	Acknowledge:  {Operator, true},
	TakeDuty:     {Operator, true},
	ChangeFleet:  {Admin, false},
	Enrol:        {Admin, false},
	ManagePeople: {Admin, false},
	ReadTrail:    {Admin, false},
}

// May says whether somebody may do something at a site; "" is the whole network,
// or no site in particular.
func May(p Person, a Action, site string) Reason {
	n, known := needs[a]
	switch {
	case p.Nobody():
		return NotKnown
	case !known:
		return UnknownAction
	case p.PasswordDue && a != OwnAccount:
		return PasswordDue
	case p.Role.rank() < n.role.rank():
		return RoleTooLow
	case n.perSite && !p.at(site):
		return OtherSite
	}
	return Allowed
}

// Sentence tells a person why not.
func (r Reason) Sentence(a Action, site string) string {
	place := "the whole network"
	if site != "" {
		place = "site " + site
	}
	switch r {
	case NotKnown:
		return "say who you are first: lamplighter login NAME, or a token in LAMPLIGHTER_TOKEN"
	case PasswordDue:
		return "choose a password of your own first: lamplighter people password NAME"
	case RoleTooLow:
		return "this needs the role " + string(needs[a].role) + ": ask an admin"
	case OtherSite:
		return "you are not assigned to " + place + ": ask an admin, or somebody who is"
	}
	return "no rule lets anybody do this"
}
