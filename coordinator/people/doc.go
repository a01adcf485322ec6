// Package people decides what a person may do: roles, actions, sites, and one
// table between them. It knows no database and no network; who somebody is has
// been found out before (packages accounts and web), and stands in a call's
// context (package caller).
//
// A viewer sees everything that is shown to people of the network. An operator
// also gives orders to the transmitters of the sites assigned to them: hush,
// release, pause, acknowledge, take duty. An admin does everything, everywhere.
// Somebody whose password was given to them by the program, or by an admin, may
// do nothing before they have chosen one of their own.
//
// Silence is easier to have than sound: a hush needs the same role as a release,
// but it is let in on what was last known of a person while the database does
// not answer (package accounts), and the trail never holds it up (package api).
// It is never let in from somebody who is not known at all: whoever can silence
// a network without a name can do so every day.
package people
