package app

import (
	"lamplighter/coordinator/console"
)

// mountConsole puts the pages for people beside those for machines.
func (a *App) mountConsole() {
	a.console = console.New(console.Options{Services: a.api.Local(), Access: consoleAccess{a.options.Open}, Log: a.options.Log})
	a.pages.mux.Handle("/", a.console)
	a.guardPages()
}
