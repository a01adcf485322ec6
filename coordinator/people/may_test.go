package people

import "testing"

// What each may do, at the site assigned, at another one, and for the whole
// network.
func TestMay(t *testing.T) {
	persons := map[string]Person{
		"nobody":     {},
		"viewer":     {Name: "v", Role: Viewer, Sites: []string{Everywhere}},
		"operator":   {Name: "o", Role: Operator, Sites: []string{"hilltop"}},
		"everywhere": {Name: "e", Role: Operator, Sites: []string{Everywhere}},
		"homeless":   {Name: "h", Role: Operator},
		"admin":      {Name: "a", Role: Admin},
		"newcomer":   {Name: "n", Role: Admin, PasswordDue: true},
		"no role":    {Name: "x", Role: "chief"},
	}
	sites := []string{"hilltop", "mill", ""}
	low, other, due := RoleTooLow, OtherSite, PasswordDue
	site := map[string][3]Reason{
		"viewer": {low, low, low}, "operator": {"", other, other}, "everywhere": {}, "homeless": {other, other, other},
		"admin": {}, "newcomer": {due, due, due}, "no role": {low, low, low},
	}
	onlyAdmin := map[string][3]Reason{
		"viewer": {low, low, low}, "operator": {low, low, low}, "everywhere": {low, low, low}, "homeless": {low, low, low},
		"admin": {}, "newcomer": {due, due, due}, "no role": {low, low, low},
	}
	all := map[string][3]Reason{"newcomer": {due, due, due}, "no role": {low, low, low}}
	want := map[Action]map[string][3]Reason{
		OwnAccount: {"no role": {low, low, low}},
		See:        all, Hush: site, Release: site, Pause: site, Acknowledge: site, TakeDuty: site,
		ChangeFleet: onlyAdmin, Enrol: onlyAdmin, ManagePeople: onlyAdmin, ReadTrail: onlyAdmin,
	}
	for action := range needs {
		if want[action] == nil {
			t.Errorf("no test says who may %s", action)
		}
	}
	for action, cells := range want {
		for who, person := range persons {
			for i, site := range sites {
				expected := cells[who][i]
				if who == "nobody" {
					expected = NotKnown
				}
				if got := May(person, action, site); got != expected {
					t.Errorf("%s, %s at %q: %q, want %q", who, action, site, got, expected)
				}
			}
		}
	}
	if got := May(persons["admin"], "fly", ""); got != UnknownAction {
		t.Errorf("an unknown action: %q", got)
	}
}

func TestEachRefusalIsASentence(t *testing.T) {
	for _, r := range []Reason{NotKnown, PasswordDue, RoleTooLow, OtherSite, UnknownAction} {
		if r.Sentence(Hush, "mill") == "" {
			t.Errorf("%s says nothing", r)
		}
	}
}

func TestATokenNeverRaisesARole(t *testing.T) {
	for _, c := range []struct{ a, b, want Role }{
		{Viewer, Admin, Viewer}, {Admin, Operator, Operator}, {Operator, Operator, Operator}, {"", Admin, ""},
	} {
		if got := Least(c.a, c.b); got != c.want {
			t.Errorf("%s and %s: %s", c.a, c.b, got)
		}
	}
}
