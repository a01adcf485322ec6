package plan

import "lamplighter/coordinator/fleet"

// Extra is what may accompany a plan; each may be nil.
type Extra struct {
	History  *Plan // what was really transmitted before From
	Previous *Plan // the plan that this one replaces
	Taken    *Plan // leases not yet run out
}

// Rule names a rule that a plan can break.
type Rule string

// Violation is one breach.
type Violation struct {
	Rule     Rule     `json:"rule"`
	Start    string   `json:"start,omitempty"`
	Beacons  []string `json:"beacons,omitempty"`
	Sentence string   `json:"sentence"`
}

// Check finds every breach of the rules in a plan.
func Check(f *fleet.Fleet, p *Plan, extra Extra) []Violation { return nil }
