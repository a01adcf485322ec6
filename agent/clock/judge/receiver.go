package judge

import "time"

const (
	lasts = 5 * time.Second // older statements are void

	// latestSentence is how long after its second a sentence may come where
	// there is no pulse: the manual of a widely used receiver daemon gives 10
	// to 700 ms, besides 100 to 300 ms of jitter (gpsd_json(5), TOFF).
	latestSentence = 700 * time.Millisecond
	jitter         = 300 * time.Millisecond

	holdOff = 15 * time.Minute   // the almanac with the leap seconds takes 12.5 min
	week    = 7 * 24 * time.Hour // and the week number repeats after 1024
	future  = 20 * 365 * 24 * time.Hour
)

// receiver is what is remembered of a receiver.
type receiver struct {
	sentence   Sentence
	heard      time.Duration // when the sentence came, raw
	speaking   bool          // whether one ever came
	fixed      time.Duration // since when there has been a fix without a pause, raw
	mature     bool          // whether it has had one for as long as the hold-off
	satellites *uint32
	arrivals   []mark // of the latest sentences: the second they spoke of at their arrival
	pulses     []mark
}

func (r *receiver) hear(now Instant, raw time.Duration, s Sentence) {
	if !r.speaking || now.Raw-r.heard > lasts {
		*r = receiver{} // it may have been switched off: the hold-off begins anew
	}
	if s.Fix == FixReal && r.sentence.Fix != FixReal {
		r.fixed = now.Raw
	}
	if s.Fix != FixReal {
		r.arrivals, r.pulses = nil, nil
	}
	again := s.Time.Equal(r.sentence.Time) // a later sentence of the same second
	r.sentence, r.heard, r.speaking = s, now.Raw, true
	if s.Satellites != nil {
		r.satellites = s.Satellites
	}
	r.mature = r.mature || s.Fix == FixReal && now.Raw-r.fixed >= holdOff
	if s.Fix == FixReal && !s.Time.IsZero() && !(again && len(r.arrivals) > 0) {
		r.arrivals = latest(r.arrivals, mark{estimate{zero: s.Time.Add(-raw)}, raw}, 16)
	}
}

func latest[T any](all []T, one T, keep int) []T {
	if len(all) >= keep {
		all = all[1:]
	}
	return append(all, one)
}

// locked says whether there is a fix now.
func (r *receiver) locked(now Instant) bool {
	return r.speaking && now.Raw-r.heard <= lasts && r.sentence.Fix == FixReal
}

// claim is what the receiver says when the raw clock was zero.
func (r *receiver) claim(now Instant, build time.Time) (claim, Reason) {
	switch {
	case !r.speaking:
		return claim{}, Starting
	case now.Raw-r.heard > lasts:
		return claim{}, Silent
	case r.sentence.Fix == FixNone:
		return claim{}, NoFix
	case r.sentence.Fix == FixDoubted:
		return claim{}, NotAFix
	case r.sentence.Time.IsZero():
		return claim{}, NoTime
	}
	if reason := date(r.sentence.Time, now.Wall, build); reason != Agreed {
		return claim{}, reason
	}
	spoken, reason := r.spoken(now)
	if reason != Agreed {
		return claim{}, reason
	}
	pulsed, reason := r.pulsed(now)
	if reason == Silent {
		return claim{spoken, bySentences, r.mature, false}, Agreed
	}
	if reason != Agreed {
		return claim{}, reason
	}
	late := pulsed.zero.Sub(r.arrivals[len(r.arrivals)-1].zero)
	if late < -pulsed.bound || late > latestSentence+jitter {
		return claim{}, WrongSecond
	}
	return claim{pulsed, byPulse, r.mature, false}, Agreed
}

// spoken is what the sentences say by themselves. Of the latest the one that
// came with the least delay counts.
func (r *receiver) spoken(now Instant) (estimate, Reason) {
	if len(r.arrivals) == 0 || now.Raw-r.arrivals[len(r.arrivals)-1].raw > lasts {
		return estimate{}, Unsteady // it says the same second over and over
	}
	first := r.arrivals[0]
	low, high := time.Duration(0), time.Duration(0)
	for _, a := range r.arrivals {
		low, high = min(low, a.zero.Sub(first.zero)), max(high, a.zero.Sub(first.zero))
	}
	if high-low > latestSentence {
		return estimate{}, Unsteady
	}
	middle := estimate{zero: first.zero.Add(high + latestSentence/2), bound: latestSentence / 2}
	return middle.wider(drift(now.Raw - first.raw)), Agreed
}

// date judges the date that a receiver says.
func date(said, wall, build time.Time) Reason {
	if said.After(build.Add(future)) {
		return FarFuture
	}
	if !said.Before(build) {
		return Agreed
	}
	const era = 1024 * week
	for k := time.Duration(1); k <= 3; k++ {
		if wall.Sub(said.Add(k*era)).Abs() < week {
			return WeekRollback
		}
	}
	return BeforeBuild
}
