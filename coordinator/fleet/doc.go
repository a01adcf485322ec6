// Package fleet is the model of a network as its owner wrote it down: sites,
// beacons, pauses, and what each may do.
//
// # Reading
//
// Read takes a fleet file (YAML, of which JSON is a part) and gives a Fleet that
// is complete and consistent, or Findings: everything that is wrong with the
// file, at once, each with line, column and what would be right. A file with a
// single finding gives no fleet, so that the running one stays. What is allowed
// but deserves a look is a warning.
//
// The text goes through three steps: a bounded syntax tree (parse.go), typed
// values with their places (value.go, object.go), and the sections in the order
// in which they refer to each other (network.go, sites.go, beacons.go,
// pauses.go). The tree is read by hand and not decoded into structs, since a
// decoder stops at the first thing that is wrong, and may turn a time that it
// can't read into the zero time.
//
// A Fleet is never changed after Read and may be shared. Each default of the
// file stands beside the key that it belongs to.
//
// # Numbers and times
//
// Decimals of the file are exact ratios (Decimal), so that every floor and
// ceiling has one answer. Instants are UTC. Wall-clock times (LocalTime) appear
// in recurring pauses only and become instants in one place, LocalTime.In, by
// the rule of RFC 5545, 3.3.5, with the zone database that is compiled in.
//
// # Asking
//
// FitsBand, Near, Use, UncertaintyHz answer single questions. Pause.Intervals
// and Scope.Covers tell when a pause holds and for whom. Openings joins all that
// concerns one beacon alone, over a stretch of slots, as sets of bits: whoever
// plans uses it; whoever checks a plan asks the single questions instead.
// Digest and Changes compare what two fleets mean, whatever the order of their
// lists.
package fleet
