package planner

// Progress is told how far the work has come, and says whether to stop. total
// stays the same during one plan, done never falls, and at the end they are equal.
type Progress func(done, total int) (stop bool)

// The work in order; what a network does not need is passed over.
const (
	firstPass = iota
	firstChains
	secondPass
	secondChains
	lastChains
	stages
)

// stage is the progress of one of the stages.
func (p Progress) stage(i int) Progress {
	const fine = 1000
	if p == nil {
		return func(int, int) bool { return false }
	}
	return func(done, total int) bool { return p(i*fine+fine*done/max(1, total), stages*fine) }
}

// half is the progress of the first (0) or second (1) of two equal parts.
func (p Progress) half(second int) Progress {
	if p == nil {
		return nil
	}
	return func(done, total int) bool { return p(second*total+done, 2*total) }
}
