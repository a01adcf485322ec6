// Package house tests the repository itself: what stands at the top, who may
// import whom, and that what decides does no input or output.
//
// The rules are tables in rules.go. A rule that names a package which is gone
// fails too, so that the tables can't rot.
package house
