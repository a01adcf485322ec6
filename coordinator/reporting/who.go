package reporting

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/rollup"
	"lamplighter/coordinator/store"
)

// The bounds of a question about who was on the air.
const (
	usualWithin = time.Minute
	mostWithin  = time.Hour
	usualNear   = 100     // Hz
	mostNear    = 100_000 // Hz
)

// Question asks which beacons were on the air near a time and a frequency.
type Question struct {
	At          time.Time
	FrequencyHz float64
	Within      time.Duration // 0: a minute
	NearHz      float64       // 0: 100
}

// Answer says who was.
type Answer struct {
	Question    Question
	Network, ID string
	AskedAt     time.Time
	OnAir       []store.PastTransmission // by start and beacon, near time and frequency
	NotReported []string                 // beacons that have not said what they did then
	Fleet       *fleet.Fleet
}

// Who answers a question from what was ordered and what agents reported.
func (r *Reporter) Who(ctx context.Context, q Question) (*Answer, error) {
	if err := q.check(); err != nil {
		return nil, err
	}
	current, now, err := r.now(ctx)
	if err != nil {
		return nil, err
	}
	if err := r.upToDate(ctx, now); err != nil {
		return nil, err
	}
	a := &Answer{Question: q, Network: current.Network.Name, ID: current.Network.ID, AskedAt: now, Fleet: current}
	slot := current.Network.Slot.Duration()
	all, err := r.Store.PlannedOrOnAir(ctx, q.At.Add(-q.Within-slot), q.At.Add(q.Within+time.Nanosecond))
	if err != nil {
		return nil, err
	}
	for _, t := range all {
		if q.meets(t, slot) {
			a.OnAir = append(a.OnAir, t)
		}
	}
	a.NotReported, err = r.silent(ctx, current, q)
	return a, err
}

func (q *Question) check() error {
	if q.Within == 0 {
		q.Within = usualWithin
	}
	if q.NearHz == 0 {
		q.NearHz = usualNear
	}
	switch {
	case q.At.IsZero():
		return fault.New(fault.Usage, "at", "say when it was")
	case !(q.FrequencyHz >= 1000 && q.FrequencyHz <= 1e12):
		return fault.New(fault.Usage, "frequency_hz", "give the frequency in hertz, such as 7040100")
	case q.Within < 0 || q.Within > mostWithin:
		return fault.New(fault.Usage, "within", "it is a time from 0 s to %v", mostWithin)
	case !(q.NearHz > 0 && q.NearHz <= mostNear):
		return fault.New(fault.Usage, "near", "it is from 0 to %d Hz", mostNear)
	}
	return nil
}

// meets says whether a transmission lies near the time and the frequency: the
// time in which the key was down, where that is known, and else the slot.
func (q *Question) meets(t store.PastTransmission, slot time.Duration) bool {
	from, to := t.StartAt, t.StartAt.Add(slot)
	if t.KeyedAt != nil {
		from = *t.KeyedAt
	}
	if t.UnkeyedAt != nil {
		to = *t.UnkeyedAt
	}
	return math.Abs(float64(t.FrequencyMillihertz)/1000-q.FrequencyHz) <= q.NearHz &&
		!from.After(q.At.Add(q.Within)) && !to.Before(q.At.Add(-q.Within))
}

// silent lists the beacons that said nothing of the time that is asked for.
func (r *Reporter) silent(ctx context.Context, f *fleet.Fleet, q Question) ([]string, error) {
	from, to := q.At.Add(-q.Within).Truncate(time.Minute), q.At.Add(q.Within).Truncate(time.Minute).Add(time.Minute)
	heard := map[string]bool{}
	err := r.Store.BeaconHours(ctx, nil, from.Truncate(time.Hour), to.Add(time.Hour).Truncate(time.Hour), func(h rollup.Hour) error {
		if h.Heard&rollup.Between(h.Start, from, to) != 0 {
			heard[h.Beacon] = true
		}
		return nil
	})
	var silent []string
	for _, b := range f.Beacons {
		if !heard[b.Name] {
			silent = append(silent, b.Name)
		}
	}
	slices.SortFunc(silent, cmp.Compare[string])
	return silent, err
}

// Page is the answer as text for people. The same answer is the same page.
func (a *Answer) Page() string {
	var out strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&out, format+"\n", args...) }
	line("%s: who was on the air", a.Network)
	line("at %s (within %v), on %.3f Hz (within %g Hz)", a.Question.At.UTC().Format("2006-01-02 15:04:05 UTC"), a.Question.Within, a.Question.FrequencyHz, a.Question.NearHz)
	line("as recorded by the coordinator at %s", a.AskedAt.UTC().Format("2006-01-02 15:04:05 UTC"))
	keyed := 0
	for _, t := range a.OnAir {
		if t.KeyedAt != nil {
			keyed++
		}
	}
	line("")
	switch {
	case keyed > 0:
		line("%d of our transmitters went on the air there and then.", keyed)
	case len(a.NotReported) > 0:
		line("None of ours, as far as is known.")
	default:
		line("None of ours.")
	}
	for _, t := range a.OnAir {
		a.describe(line, t)
	}
	line("")
	if n := len(a.NotReported); n == 0 {
		line("Complete: all %d beacons have reported on this time.", len(a.Fleet.Beacons))
	} else {
		line("Not complete: of %d beacons, %d have not reported on this time: %s.", len(a.Fleet.Beacons), n, strings.Join(a.NotReported, ", "))
	}
	return out.String()
}

func (a *Answer) describe(line func(string, ...any), t store.PastTransmission) {
	callsign, place := "", "no longer in the fleet"
	if b := a.Fleet.Beacon(t.Beacon); b != nil {
		callsign, place = b.Callsign, "site "+b.Site.Name+" ("+b.Site.Locator.String()+")"
	}
	if t.Callsign != nil {
		callsign = *t.Callsign
	}
	line("")
	line("%s, %s, %s", t.Beacon, callsign, place)
	line("  planned    %s slot on %s, %.3f Hz, control %s", t.StartAt.UTC().Format("2006-01-02 15:04:05 UTC"), t.Band, float64(t.FrequencyMillihertz)/1000, t.Control)
	line("  permitted  %s", orNot(t.PermittedAt))
	if t.KeyedAt != nil && t.UnkeyedAt != nil {
		line("  keyed      %s to %s", clock(*t.KeyedAt), clock(*t.UnkeyedAt))
	} else {
		line("  keyed      %s", orNot(t.KeyedAt))
	}
	if t.PowerDBm != nil {
		line("  power      %d dBm", *t.PowerDBm)
	}
	ending := t.Ending
	if t.Reason != nil && *t.Reason != "" {
		ending += " (" + strings.ReplaceAll(*t.Reason, "_", " ") + ")"
	}
	line("  ended as   %s", ending)
}

func clock(t time.Time) string { return t.UTC().Format("15:04:05.000 UTC") }

func orNot(t *time.Time) string {
	if t == nil {
		return "no, or not reported"
	}
	return clock(*t)
}
