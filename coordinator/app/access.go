package app

import (
	"context"
	"net/http"

	"lamplighter/coordinator/api"
	"lamplighter/coordinator/console"
	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people"
	"lamplighter/coordinator/people/caller"
	"lamplighter/coordinator/people/web"
)

// pageRules say who may ask for which page: what a person needs, or nothing
// where anybody may. A page without a rule is refused to everybody.
var pageRules = map[string]people.Action{
	"GET /metrics":             people.See,
	"GET /healthz":             "", // whether this process and what it needs are well, and nothing else
	"GET /readyz":              "",
	receptionsPath:             "", // the service that it calls looks itself
	"/":                        "", // the console looks itself what each of its pages needs, and so do the services
	"GET " + web.LogInPath:     "",
	"POST " + web.LogInPath:    "",
	"POST " + web.LogOutPath:   "",
	"GET " + web.PasswordPath:  "", // it knows its own people
	"POST " + web.PasswordPath: "",
	"GET " + web.SessionsPath:  "", // likewise
	"POST " + web.SessionsPath: "",
	"GET " + web.OpenIDPath:    "",
	"GET " + web.ReturnPath:    "",
}

// guardPages puts the forms to log in beside the pages, and the rules before all
// of them.
func (a *App) guardPages() {
	options := web.Options{Accounts: a.accounts, OpenID: a.options.OpenID, Silences: []string{console.HushPath}, Log: a.options.Log}
	if a.options.Open {
		options.Open = api.Operator
	}
	sessions := web.New(options)
	mux := a.pages.mux
	for _, route := range sessions.Routes() {
		mux.Handle(route.Pattern, route.Handler)
	}
	a.pages.server.Handler = sessions.Identify(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, pattern := mux.Handler(r)
		action, known := pageRules[pattern]
		switch {
		case pattern != "" && !known:
			http.Error(w, "no rule lets anybody see this page", fault.Forbidden.HTTP())
		case action == "":
			mux.ServeHTTP(w, r)
		default:
			sessions.Admit(action, mux).ServeHTTP(w, r)
		}
	}))
}

// consoleAccess tells the console who looks.
type consoleAccess struct{ open bool }

// Who is the person behind a request.
func (consoleAccess) Who(ctx context.Context) (console.Person, bool) {
	c := caller.From(ctx)
	p := console.Person{Name: c.Name}
	if c.Via != "loopback" {
		p.Role = string(c.Role)
	}
	return p, !c.Nobody() && !c.PasswordDue
}

// consoleActions are the console's words for what people do.
var consoleActions = map[console.Action]people.Action{
	console.Look: people.See, console.Hush: people.Hush, console.Release: people.Release,
	console.ChangeFleet: people.ChangeFleet, console.Enrol: people.Enrol, console.Acknowledge: people.Acknowledge,
	console.ReadTrail: people.ReadTrail, console.ManagePeople: people.ManagePeople,
}

// May says whether that person may do something, somewhere at least.
func (consoleAccess) May(ctx context.Context, do console.Action) bool {
	reason := caller.May(ctx, consoleActions[do], "")
	return reason == people.Allowed || reason == people.OtherSite && len(caller.From(ctx).Sites) > 0
}

// MayAt says whether that person may do something at a site.
func (consoleAccess) MayAt(ctx context.Context, do console.Action, site string) bool {
	return caller.May(ctx, consoleActions[do], site) == people.Allowed
}

// LogIn is where a person says who they are.
func (a consoleAccess) LogIn() string {
	if a.open {
		return ""
	}
	return web.LogInPath
}

// Account is where people see their own sessions.
func (a consoleAccess) Account() string {
	if a.open {
		return ""
	}
	return web.SessionsPath
}

// LogOut is where a person's session ends.
func (a consoleAccess) LogOut() string {
	if a.open {
		return ""
	}
	return web.LogOutPath
}
