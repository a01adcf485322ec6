package judge

import (
	"time"

	"lamplighter/proto/planted"
)

// fine is the widest bound of a daemon that watches the fraction of the second
// too.
const fine = 50 * time.Millisecond

// decide hears the witnesses and sets the own clock, or lets it go on alone.
func (j *Judge) decide() Reason {
	if j.leap.until != 0 {
		j.goOn(LeapSecond)
		return LeapSecond
	}
	primary, against := j.receiver.claim(j.now, j.config.Build)
	other, otherAgainst := j.daemon.claim(j.now, j.config.Build)
	if j.config.Daemon {
		primary, other, against, otherAgainst = other, primary, otherAgainst, against
	}
	switch {
	case against == Agreed && otherAgainst == Agreed:
		return j.hearBoth(primary, other)
	case against == Agreed:
		return j.hearOne(primary)
	case otherAgainst == Agreed:
		reason := j.hearOne(other)
		switch {
		case against != Starting:
			return against
		case reason != Agreed:
			return reason
		}
		return Silent // the time is known, but what should say it has never spoken
	}
	return j.goOn(against)
}

func (j *Judge) hearBoth(primary, other claim) Reason {
	if !primary.agrees(other.estimate) && !planted.Is("S3 one witness is enough") {
		return j.contradicted(primary, other)
	}
	if primary.bound > half || other.bound > half {
		return j.hearOne(primary)
	}
	e := primary
	if other.bound <= fine {
		e.estimate = primary.spanning(other.estimate)
	}
	if own, known := j.own.now(j.now.Raw); known && !own.agrees(e.estimate) {
		if own.bound <= half && other.bound > fine {
			j.doubt.exclude(primary, own)
			return j.goOn(Jumped) // the other can't see so little
		}
		j.own.forget() // two against one
	}
	if other.bound > fine && j.doubted(primary) {
		return j.goOn(Jumped)
	}
	j.doubt, j.asleep, j.leap.unknown = doubt{}, false, false
	j.follow(e, primary)
	return Agreed
}

// contradicted: the one that the own clock excludes is wrong.
func (j *Judge) contradicted(primary, other claim) Reason {
	own, known := j.own.now(j.now.Raw)
	j.own.unlearn()
	if known && own.bound <= half {
		first, second := own.agrees(primary.estimate), own.agrees(other.estimate)
		switch {
		case first && !second:
			j.doubt.exclude(other, own)
			j.follow(primary, primary)
			return Contradicted
		case second && !first:
			j.doubt.exclude(primary, own)
			j.follow(other, other)
			return Contradicted
		}
	}
	j.doubt = doubt{standing: true}
	return j.goOn(Contradicted)
}

// hearOne: the own clock or the witness itself must vouch for the second.
func (j *Judge) hearOne(c claim) Reason {
	own, known := j.own.now(j.now.Raw)
	vouched := known && own.bound <= half && c.bound <= half
	if vouched && !own.agrees(c.estimate) {
		j.doubt.exclude(c, own)
		return j.goOn(Jumped)
	}
	if j.doubted(c) {
		return j.goOn(Jumped)
	}
	switch {
	case !c.mature && !vouched:
		return j.goOn(LeapHoldOff)
	case c.sure, j.config.Alone:
		j.asleep, j.leap.unknown = false, false
	case !vouched, c.by == byDaemon:
		// A lone daemon may be wrong by less than the own clock's bound.
		return j.goOn(OneWitness)
	}
	if known && !own.agrees(c.estimate) {
		j.own.forget()
	}
	j.follow(c, c)
	return Agreed
}

// follow sets the own clock by e, unless it knows better itself; learned is
// what it learns from.
func (j *Judge) follow(e, learned claim) {
	j.own.learn(j.now.Raw, learned, j.celsius)
	if own, known := j.own.now(j.now.Raw); !known || e.bound <= own.bound {
		j.own.follow(j.now.Raw, e.estimate)
	} else if j.own.alone {
		j.own.leave(j.now.Raw, j.config.Floor, j.celsius)
	}
}

// goOn lets the own clock go on alone.
func (j *Judge) goOn(reason Reason) Reason {
	j.own.leave(j.now.Raw, j.config.Floor, j.celsius)
	if j.asleep && !j.own.set {
		return Suspended
	}
	if j.leap.unknown && !j.own.set {
		return LeapUnknown
	}
	return reason
}
