// Package form asks for what stands in a fleet file, for people who write no
// YAML.
//
// A Sheet says what is asked about a network, a site or a beacon: every key of
// the file with its name for people, its unit and a hint. Read fills the sheet
// from the file's tree (package rewrite), Write makes a tree of what was filled
// in. What was not touched stays as it is in the tree, so that it also stays as
// it is in the text. Nothing is checked here: what a person wrote goes into the
// tree as it is, and package fleet says what is wrong with it, in the same
// sentences as for the file. Place finds the field that such a sentence is about.
//
// Merge joins what two people did to the same thing, field by field: who changed
// what the other left alone is right, and where both changed a field both
// answers are told.
//
// A Pause is asked for on the clock of a place, and stands in the file in UTC or
// as a rule; pause.go goes from the one to the other.
package form
