package web

import (
	"html/template"
	"net/http"
	"net/url"
	"strings"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people"
	"lamplighter/coordinator/people/caller"
)

// Where the forms are.
const (
	LogInPath    = "/login"
	LogOutPath   = "/logout"
	PasswordPath = "/password"
	SessionsPath = "/sessions"
	OpenIDPath   = "/login/openid"
	ReturnPath   = "/login/openid/return"
)

// Route is a page of this package, with who may ask for it; empty: anybody.
type Route struct {
	Pattern string
	Action  people.Action
	Handler http.Handler
}

// Routes are the pages of this package.
func (s *Sessions) Routes() []Route {
	page := func(f http.HandlerFunc) http.Handler { return Protect(http.MaxBytesHandler(f, mostForm)) }
	routes := []Route{
		{"GET " + LogInPath, "", page(s.showLogIn)},
		{"POST " + LogInPath, "", page(s.LogIn)},
		{"POST " + LogOutPath, "", page(s.LogOut)},
		{"GET " + PasswordPath, people.OwnAccount, page(s.showPassword)},
		{"POST " + PasswordPath, people.OwnAccount, page(s.ChoosePassword)},
		{"GET " + SessionsPath, people.OwnAccount, page(s.showSessions)},
		{"POST " + SessionsPath, people.OwnAccount, page(s.EndOthers)},
	}
	if s.options.OpenID != nil {
		routes = append(routes,
			Route{"GET " + OpenIDPath, "", page(s.leave)},
			Route{"GET " + ReturnPath, "", page(s.comeBack)})
	}
	for i, r := range routes {
		if r.Action != "" {
			routes[i].Handler = s.Identify(r.Handler)
		}
	}
	return routes
}

// here is where a form sends somebody afterwards: a path of this host, or "/".
func here(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") || strings.ContainsAny(next, "\\\r\n\t") {
		return "/"
	}
	return next
}

func queryOf(next string) string { return url.QueryEscape(here(next)) }

// view is what a form shows.
type view struct {
	Name, Next, Problem string
	OpenID              bool
	LogIn, Password     string // where the forms go
	Sessions            string // the page with the person's sessions
	OpenIDPath          string
}

func (s *Sessions) view(r *http.Request, err error) view {
	v := view{
		Name: r.PostFormValue("name"), Next: here(r.FormValue("next")), OpenID: s.options.OpenID != nil,
		LogIn: LogInPath, Password: PasswordPath, Sessions: SessionsPath, OpenIDPath: OpenIDPath,
	}
	if err != nil {
		v.Problem = fault.Sentence(err)
	}
	return v
}

func (s *Sessions) show(w http.ResponseWriter, form *template.Template, v any, status int) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	if err := form.Execute(w, v); err != nil {
		s.options.Log.Debug("a form was not sent whole", "error", err)
	}
}

func (s *Sessions) showLogIn(w http.ResponseWriter, r *http.Request) {
	s.show(w, logInForm, s.view(r, nil), http.StatusOK)
}

// LogIn takes the form with name, password and next.
func (s *Sessions) LogIn(w http.ResponseWriter, r *http.Request) {
	person, err := s.options.Accounts.LogIn(r.Context(), r.PostFormValue("name"), r.PostFormValue("password"), addressOf(r))
	if err == nil {
		err = s.logIn(w, r, person.Name)
	}
	s.note(r, person.Name, "log in", err, map[string]string{"name": shorten(r.PostFormValue("name"))})
	if err != nil {
		s.fail(w, r, logInForm, err)
		return
	}
	next := here(r.PostFormValue("next"))
	if person.PasswordDue {
		next = PasswordPath + "?next=" + queryOf(next)
	}
	http.Redirect(w, r, next, http.StatusSeeOther)
}

// fail shows a form again with what is wrong.
func (s *Sessions) fail(w http.ResponseWriter, r *http.Request, form *template.Template, err error) {
	if fault.Of(err) == fault.Internal {
		s.options.Log.Error("a form could not be taken", "path", r.URL.Path, "error", err)
	}
	s.show(w, form, s.view(r, err), fault.Of(err).HTTP())
}

// LogOut ends the browser's session.
func (s *Sessions) LogOut(w http.ResponseWriter, r *http.Request) {
	name := s.cookieName(r)
	if cookie, err := r.Cookie(name); err == nil {
		person, known := s.options.Accounts.BySession(r.Context(), cookie.Value)
		if err := s.options.Accounts.EndSession(r.Context(), cookie.Value); err != nil {
			s.options.Log.Error("a session could not be ended", "error", err)
			http.Error(w, "The session could not be ended now; try again in a moment, or close it by choosing another password.", http.StatusServiceUnavailable)
			return
		}
		if known == nil {
			s.note(r, person.Name, "log out", nil, nil)
		}
	}
	s.setCookie(w, r, name, "", 0)
	w.Header().Set("Clear-Site-Data", `"cache", "storage"`)
	http.Redirect(w, r, LogInPath, http.StatusSeeOther)
}

func (s *Sessions) showPassword(w http.ResponseWriter, r *http.Request) {
	if caller.From(r.Context()).Nobody() {
		http.Redirect(w, r, LogInPath+"?next="+queryOf(PasswordPath), http.StatusSeeOther)
		return
	}
	s.show(w, passwordForm, s.view(r, nil), http.StatusOK)
}

// ChoosePassword takes the form with old, new, again and next. All other
// sessions of the person end.
func (s *Sessions) ChoosePassword(w http.ResponseWriter, r *http.Request) {
	who := caller.From(r.Context())
	cookie, err := r.Cookie(s.cookieName(r))
	switch {
	case who.Nobody() || who.Via != "session" || err != nil:
		s.fail(w, r, logInForm, fault.New(fault.NotKnown, "", "log in first"))
		return
	case r.PostFormValue("new") != r.PostFormValue("again"):
		s.fail(w, r, passwordForm, fault.New(fault.Invalid, "again", "the new password was typed in two ways"))
		return
	}
	err = s.options.Accounts.Choose(r.Context(), who.Name, r.PostFormValue("old"), r.PostFormValue("new"), addressOf(r), cookie.Value)
	s.note(r, who.Name, "choose a password", err, nil)
	if err != nil {
		s.fail(w, r, passwordForm, err)
		return
	}
	http.Redirect(w, r, here(r.PostFormValue("next")), http.StatusSeeOther)
}

const head = `<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>Lamplighter</title></head><body><main><h1>Lamplighter</h1>
{{with .Problem}}<p role="alert">{{.}}</p>{{end}}`

var logInForm = template.Must(template.New("login").Parse(head + `
<form method="post" action="{{.LogIn}}"><input type="hidden" name="next" value="{{.Next}}">
<p><label>Name <input name="name" value="{{.Name}}" autocomplete="username" autocapitalize="none" required autofocus></label></p>
<p><label>Password <input name="password" type="password" autocomplete="current-password" required></label></p>
<p><button>Log in</button></p></form>
{{if .OpenID}}<p><a href="{{.OpenIDPath}}?next={{.Next}}">Log in through your organisation</a></p>{{end}}
</main></body></html>`))

var passwordForm = template.Must(template.New("password").Parse(head + `
<p>Choose a password of 12 characters or more. Four or five words in a row are easy to keep in mind.</p>
<form method="post" action="{{.Password}}"><input type="hidden" name="next" value="{{.Next}}">
<p><label>The one you have <input name="old" type="password" autocomplete="current-password" required></label></p>
<p><label>The new one <input name="new" type="password" autocomplete="new-password" minlength="12" required></label></p>
<p><label>The new one again <input name="again" type="password" autocomplete="new-password" minlength="12" required></label></p>
<p><button>Choose it</button></p></form>
<p><a href="{{.Sessions}}">Where you are logged in</a></p>
</main></body></html>`))
