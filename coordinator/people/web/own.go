package web

import (
	"encoding/json"
	"html/template"
	"net/http"
	"strconv"
	"time"
	"unicode/utf8"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people/accounts"
	"lamplighter/coordinator/people/caller"
	"lamplighter/coordinator/people/trail"
)

// note writes into the trail what somebody did with their own account. Tries that
// have to wait are only counted: they could fill any disk.
func (s *Sessions) note(r *http.Request, person, action string, err error, details map[string]string) {
	if fault.Of(err) == fault.TooOften {
		return
	}
	told := map[string]string{}
	for key, value := range details {
		told[key] = value
	}
	e := trail.Entry{Person: person, From: addressOf(r), Via: "session", Action: action, Outcome: trail.Done}
	if err != nil {
		e.Outcome, told["sentence"] = trail.Failed, fault.Sentence(err)
	}
	text, problem := json.Marshal(told)
	if problem != nil { // strings can't cause it
		text = []byte("{}")
	}
	e.Details = string(text)
	s.options.Accounts.Note(r.Context(), e)
}

// shorten keeps what strangers type from filling the trail, and from being no
// text.
func shorten(text string) string {
	const most = 64
	if !utf8.ValidString(text) {
		return "?"
	}
	if runes := []rune(text); len(runes) > most {
		return string(runes[:most]) + "…"
	}
	return text
}

// ownView is what the page of a person's sessions shows.
type ownView struct {
	view
	List   []accounts.Session
	Others bool
}

// session is the secret of a person's session in this browser; empty: there is
// none.
func (s *Sessions) session(r *http.Request) string {
	cookie, err := r.Cookie(s.cookieName(r))
	if who := caller.From(r.Context()); err != nil || who.Nobody() || who.Via != "session" {
		return ""
	}
	return cookie.Value
}

func (s *Sessions) showSessions(w http.ResponseWriter, r *http.Request) {
	secret := s.session(r)
	if secret == "" {
		http.Redirect(w, r, LogInPath+"?next="+queryOf(SessionsPath), http.StatusSeeOther)
		return
	}
	list, err := s.options.Accounts.Sessions(r.Context(), caller.From(r.Context()).Name, secret)
	v := ownView{view: s.view(r, err), List: list, Others: len(list) > 1}
	status := http.StatusOK
	if err != nil {
		s.options.Log.Error("sessions can't be listed", "error", err)
		status = fault.Of(err).HTTP()
	}
	s.show(w, sessionsPage, v, status)
}

// EndOthers ends the person's sessions in other browsers.
func (s *Sessions) EndOthers(w http.ResponseWriter, r *http.Request) {
	secret := s.session(r)
	if secret == "" {
		s.fail(w, r, logInForm, fault.New(fault.NotKnown, "", "log in first"))
		return
	}
	who := caller.From(r.Context())
	ended, err := s.options.Accounts.EndOthers(r.Context(), who.Name, secret)
	s.note(r, who.Name, "log out other browsers", err, map[string]string{"ended": strconv.FormatInt(ended, 10)})
	if err != nil {
		s.options.Log.Error("sessions can't be ended", "error", err)
		http.Error(w, "They could not be logged out now; try again in a moment.", fault.Of(err).HTTP())
		return
	}
	http.Redirect(w, r, SessionsPath, http.StatusSeeOther)
}

var sessionsPage = template.Must(template.New("sessions").Funcs(template.FuncMap{
	"at": func(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") },
}).Parse(head + `
<h2>Where you are logged in</h2>
<table><thead><tr><th>Since</th><th>Used last</th><th>Ends</th><th>From</th><th></th></tr></thead><tbody>
{{range .List}}<tr><td>{{at .Since}}</td><td>{{at .Used}}</td><td>{{at .Until}}</td><td>{{.From}}</td><td>{{if .Own}}this browser{{end}}</td></tr>
{{end}}</tbody></table>
{{if .Others}}<form method="post" action="{{.Sessions}}"><p><button>Log out the others</button></p></form>
<p>If one of them is not you, <a href="{{.Password}}">choose another password</a> too.</p>{{end}}
<p>Programs that act for you are listed by: lamplighter token list</p>
<p><a href="/">Back</a></p>
</main></body></html>`))
