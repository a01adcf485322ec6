package store

// StatusVerdict says what a live message did to a beacon's status.
type StatusVerdict string

// The verdicts: all but the first leave the status as it is.
const (
	StatusTaken         StatusVerdict = "taken"
	StatusOldMessage    StatusVerdict = "old_message"    // of this run, overtaken or a repetition
	StatusOldConnection StatusVerdict = "old_connection" // of this run, before the present connection, or after its end
	StatusOldRun        StatusVerdict = "old_run"        // of a run that another one has followed
	StatusOtherRun      StatusVerdict = "other_run"      // the farewell of a run that is not the present one
)

// liveState is what decides whether a live message is news.
type liveState struct {
	run        string // empty: none yet
	liveSeq    int64  // none: none of this run
	connection int64  // none: none of this run
	online     bool
}

// none is below everything that is counted.
const none = -1

func newRun(run string) liveState { return liveState{run: run, liveSeq: none, connection: none} }

// follows says whether a run that is not the present one takes over: not if it
// had its time. A run had its time when it spoke live before, or when another
// names it as its predecessor.
func (s liveState) follows(run string, hadItsTime bool) StatusVerdict {
	if s.run != run && s.run != "" && hadItsTime {
		return StatusOldRun
	}
	return StatusTaken
}

// health judges a live health message and moves the state on.
func (s *liveState) health(h Health, hadItsTime bool) StatusVerdict {
	if v := s.follows(h.Run, hadItsTime); v != StatusTaken {
		return v
	}
	if s.run != h.Run {
		*s = newRun(h.Run)
	}
	if h.LiveSeq <= s.liveSeq {
		return StatusOldMessage
	}
	s.liveSeq = h.LiveSeq
	return StatusTaken
}

// presence judges a presence message and moves the state on. The end of a
// connection is final, and the broker, which says it, may be late: it never
// brings a run into the present.
func (s *liveState) presence(p Presence, hadItsTime bool) StatusVerdict {
	switch {
	case s.run != p.Run && s.run != "" && !p.Online:
		return StatusOtherRun
	case s.follows(p.Run, hadItsTime) != StatusTaken:
		return StatusOldRun
	case s.run != p.Run:
		*s = newRun(p.Run)
	case p.Connection < s.connection:
		return StatusOldConnection
	case p.Connection == s.connection && p.Online && !s.online:
		return StatusOldConnection
	case p.Connection == s.connection && p.Online == s.online:
		return StatusOldMessage
	}
	s.connection, s.online = p.Connection, p.Online
	return StatusTaken
}
