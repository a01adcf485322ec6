package heard

import (
	"cmp"
	"slices"

	"lamplighter/proto/onair/locator"
	"lamplighter/proto/onair/slot"
)

// Stray is a report of a call sign of ours in a slot or on a band in which none
// of our transmissions was to be.
type Stray struct {
	Slot            slot.Number
	Callsign, Band  string
	Millihertz      int64
	Receiver        string
	ReceiverLocator locator.Locator
	agreed          bool
}

// Sighting is what receivers agree on: a transmission that was none of ours.
type Sighting struct {
	Slot           slot.Number
	Callsign, Band string
	Millihertz     int64    // as the first of them has it
	Receivers      []string // sorted; one: it heard it in this slot and the one before
}

// agreeWithin is how far apart two reports of one transmission may lie:
// millihertz.
const agreeWithin = 5_000

// Sightings finds what is more than the error of one receiver: in one slot two
// independent receivers on the same frequency, or two slots in a row. What is
// left over is kept as doubtful. Reports of before may be given again, so that
// a later one can agree with them.
func Sightings(strays []Stray) (sure []Sighting, doubtful []Stray) {
	strays = slices.Clone(strays)
	slices.SortFunc(strays, func(a, b Stray) int {
		return cmp.Or(cmp.Compare(a.Callsign, b.Callsign), cmp.Compare(a.Band, b.Band), cmp.Compare(a.Slot, b.Slot), cmp.Compare(a.Receiver, b.Receiver), cmp.Compare(a.Millihertz, b.Millihertz))
	})
	for i := range strays {
		for j := i + 1; j < len(strays) && strays[j].near(strays[i]); j++ {
			if strays[i].confirms(strays[j]) {
				strays[i].agreed, strays[j].agreed = true, true
			}
		}
	}
	for _, s := range strays {
		if !s.agreed {
			doubtful = append(doubtful, s)
			continue
		}
		if last := len(sure) - 1; last >= 0 && sure[last].Slot == s.Slot && sure[last].Callsign == s.Callsign && sure[last].Band == s.Band {
			if !slices.Contains(sure[last].Receivers, s.Receiver) {
				sure[last].Receivers = append(sure[last].Receivers, s.Receiver)
			}
			continue
		}
		sure = append(sure, Sighting{s.Slot, s.Callsign, s.Band, s.Millihertz, []string{s.Receiver}})
	}
	return sure, doubtful
}

// near says whether s, which is sorted after other, may confirm it.
func (s Stray) near(other Stray) bool {
	return s.Callsign == other.Callsign && s.Band == other.Band && s.Slot <= other.Slot+1
}

func (s Stray) confirms(other Stray) bool {
	if s.Slot != other.Slot {
		return true // near: the slots follow each other
	}
	apart := max(s.Millihertz-other.Millihertz, other.Millihertz-s.Millihertz)
	return apart <= agreeWithin && independent(s, other)
}

// independent says whether two receivers are two: of other names, and not known
// to stand at the same place.
func independent(a, b Stray) bool {
	if a.Receiver == b.Receiver {
		return false
	}
	exact := a.ReceiverLocator.Len() >= 6 && b.ReceiverLocator.Len() >= 6
	return !exact || WayTo(a.ReceiverLocator, b.ReceiverLocator).Counts()
}
