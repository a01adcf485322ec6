// Package console shows the fleet to people with a browser, and lets them do
// what they may.
//
// # Pages
//
// Every page is HTML made here, complete and usable without script. Scripts and
// style are embedded, nothing is loaded from another host, and a policy in each
// answer forbids it. A script then keeps the page alive: the seconds of the
// slot, the tones as they go, what changed, a chart that reads out.
//
// # Where things come from
//
// Everything is asked and done through the services of package api, with the
// asker in the context, so that a page can do nothing that a command could not.
// What follows from the answers alone (airtime, what keeps a beacon from a slot)
// is computed with the pure packages plan and planner. The figures of a report
// are those of its JSON form, and its files are passed on piece by piece.
//
// # Changing the fleet
//
// The text of the fleet file is the source, and a form is another way to write
// it: the sheet of package fleet/form is filled from the text in force, what was
// filled in goes into the text by package fleet/rewrite, and what package fleet
// says of the text stands at the fields. A form holds what stood in the file when
// it was opened. Where somebody else has changed the file since, what they did
// and what the form says are joined field by field and shown before anything is
// put in force; nothing of either is lost. Pauses have no name: one that is no
// longer as it was goes in as a new one. The subscribers of reports are one list,
// and one field.
//
// # Live
//
// One hub asks once a second, however many look on, and nobody asks while nobody
// looks. It keeps the latest HTML of each piece of the page with the number of
// the batch that brought it. What is new at one time is one batch, written and
// packed once for all. A viewer says up to which batch it has seen, gets every
// piece that is newer, and again whenever there is one: a viewer that was away for
// an hour gets the present, not the hour. A piece looks the same to everybody, and
// at every second while nothing changes: what counts down is the script's. What
// differs by person stands outside the pieces.
//
// # Everybody
//
// One page asks nobody who they are, where the fleet file wants it. It shows what
// the service for everybody tells, and uses no other.
//
// # Errors
//
// A fault becomes a page with its sentence, what to do next, and the status that
// package fault names. A form that is refused comes back with all that was
// written in it. A viewer that hears nothing for ten seconds is told since when
// what it shows is old.
package console
