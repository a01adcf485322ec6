package rollup

import (
	"cmp"
	"math"
	"math/bits"
	"slices"
	"time"
)

// ReadyBound is the largest bound on the clock's error with which a beacon
// counts as ready: above it no transmission begins.
const ReadyBound = 500 * time.Millisecond

// Minutes is a set of the minutes of an hour: bit n stands for minute n.
type Minutes uint64

// AllMinutes is the whole hour.
const AllMinutes Minutes = 1<<60 - 1

// Count is the number of minutes in the set.
func (m Minutes) Count() int { return bits.OnesCount64(uint64(m)) }

// Has tells whether minute n, from 0, is in the set.
func (m Minutes) Has(n int) bool { return m>>n&1 == 1 }

// Between is the minutes of the hour that begins at hour which lie in [from, to).
// A minute of which only a part lies in it counts where it begins.
func Between(hour, from, to time.Time) Minutes {
	first, end := minuteAfter(hour, from), minuteAfter(hour, to)
	if first >= end {
		return 0
	}
	return (1<<end - 1) &^ (1<<first - 1)
}

// minuteAfter is the first minute that begins at t or later, held to the hour.
func minuteAfter(hour, t time.Time) int {
	return int(min(max(0, (t.Sub(hour)+time.Minute-1)/time.Minute), 60))
}

// Sample is one health sample. Nil and unknown are absent.
type Sample struct {
	At           time.Time // by the beacon's clock
	Lock         string    // locked, holdover, none; empty: unknown
	ClockErrorNs *int64
	FrequencyPpb *float64
	OnAir        bool
}

// Slot is an ordered slot and how it ended.
type Slot struct {
	Band   string
	Ending string // as in the ledger
	Reason string
	Keyed  time.Duration // with the key down
}

// SlotCount counts slots with the same band, ending and reason.
type SlotCount struct {
	Band, Ending, Reason string
	Slots                int64
	Keyed                time.Duration
}

// Worst is the largest bound that was said, and when first.
type Worst struct {
	Ns int64
	At time.Time // zero: none was said
}

// add takes another into account.
func (w *Worst) add(other Worst) {
	if !other.At.IsZero() && (w.At.IsZero() || other.Ns > w.Ns || other.Ns == w.Ns && other.At.Before(w.At)) {
		*w = other
	}
}

// Hour is what is kept of an hour of a beacon.
type Hour struct {
	Beacon  string
	Start   time.Time // a whole UTC hour
	Samples int

	Heard, Ready, Locked, Holdover, OnAir Minutes

	Clock     Histogram // bounds on the clock's error, nanoseconds
	Worst     Worst
	Frequency Histogram // bounds on the frequency's error, parts per 10^12
	Slots     []SlotCount
}

// Roll condenses the samples and slots of one hour, or of a part of it; samples
// outside of the hour are left out.
func Roll(beacon string, start time.Time, samples []Sample, slots []Slot) Hour {
	h := Hour{Beacon: beacon, Start: start, Slots: CountSlots(slots)}
	var clock, frequency []int64
	var notReady, notLocked Minutes
	for _, s := range samples {
		if s.At.Before(start) || !s.At.Before(start.Add(time.Hour)) {
			continue
		}
		h.Samples++
		minute := Minutes(1) << (s.At.Sub(start) / time.Minute)
		h.Heard |= minute
		if s.Lock != "locked" {
			notLocked |= minute
		}
		if s.Lock == "holdover" {
			h.Holdover |= minute
		}
		if s.OnAir {
			h.OnAir |= minute
		}
		if s.Lock != "locked" || s.ClockErrorNs == nil || *s.ClockErrorNs > ReadyBound.Nanoseconds() {
			notReady |= minute
		}
		if ns := s.ClockErrorNs; ns != nil && *ns >= 0 {
			clock = append(clock, *ns)
			h.Worst.add(Worst{*ns, s.At})
		}
		if ppt, ok := partsPerTrillion(s.FrequencyPpb); ok {
			frequency = append(frequency, ppt)
		}
	}
	h.Ready, h.Locked = h.Heard&^notReady, h.Heard&^notLocked
	h.Clock, h.Frequency = NewHistogram(clock), NewHistogram(frequency)
	return h
}

func partsPerTrillion(ppb *float64) (int64, bool) {
	const most = 1e12 // a frequency that is wrong by all of itself
	if ppb == nil || math.IsNaN(*ppb) || *ppb < 0 {
		return 0, false
	}
	return int64(math.Ceil(min(*ppb*1000, most))), true
}

// CountSlots counts slots, sorted by band, ending and reason.
func CountSlots(slots []Slot) []SlotCount {
	var counts []SlotCount
	for _, s := range slots {
		counts = append(counts, SlotCount{s.Band, s.Ending, s.Reason, 1, s.Keyed})
	}
	return sum(counts)
}

// sum adds up what has the same band, ending and reason.
func sum(counts []SlotCount) []SlotCount {
	slices.SortStableFunc(counts, func(a, b SlotCount) int {
		return cmp.Or(cmp.Compare(a.Band, b.Band), cmp.Compare(a.Ending, b.Ending), cmp.Compare(a.Reason, b.Reason))
	})
	summed := counts[:0]
	for _, c := range counts {
		if n := len(summed); n > 0 && summed[n-1].Band == c.Band && summed[n-1].Ending == c.Ending && summed[n-1].Reason == c.Reason {
			summed[n-1].Slots += c.Slots
			summed[n-1].Keyed += c.Keyed
			continue
		}
		summed = append(summed, c)
	}
	return summed
}

// Cut keeps of an hour only the minutes in [from, to). Its histograms stay those
// of the whole hour, since which minute a value is of is not kept; its slots are
// left out, since which of them lie inside is not known here.
func (h Hour) Cut(from, to time.Time) Hour {
	in := Between(h.Start, from, to)
	h.Heard, h.Ready, h.Locked, h.Holdover, h.OnAir = h.Heard&in, h.Ready&in, h.Locked&in, h.Holdover&in, h.OnAir&in
	h.Slots = nil
	return h
}
