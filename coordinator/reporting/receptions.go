package reporting

import (
	"context"
	"math"
	"slices"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/heard"
	"lamplighter/coordinator/report"
	"lamplighter/coordinator/store"
	"lamplighter/proto/onair/locator"
)

// storeAtOnce is how many reports go into one transaction.
const storeAtOnce = 2000

// Source says where reports come from.
type Source struct {
	Way      string // by which they came, in a word
	Receiver string // whose reports alone are taken, a call sign; empty: everybody's
}

// Added says what became of a file of reports.
type Added struct {
	Matched, Unmatched, Known int64
	Refused                   []heard.Refused
}

// AddReceptions reads reports of receivers in one of heard.Forms, matches them
// with what was transmitted, and stores them. Giving the same ones again changes
// nothing.
func (r *Reporter) AddReceptions(ctx context.Context, from Source, form string, file []byte) (Added, error) {
	current, now, err := r.now(ctx)
	if err != nil {
		return Added{}, err
	}
	read, refused, err := heard.Read(form, file, heard.Rules{Length: current.Network.Slot, Bands: current.Network.Bands, Now: now, Receiver: from.Receiver})
	if err != nil {
		return Added{}, fault.New(fault.Invalid, "file", "%w", err)
	}
	added := Added{Refused: refused}
	for group := range slices.Chunk(read, storeAtOnce) {
		matched, err := r.match(ctx, current, group)
		if err != nil {
			return added, err
		}
		fresh, err := r.Store.StoreReceptions(ctx, from.Way, matched)
		if err != nil {
			return added, err
		}
		for i, isNew := range fresh {
			switch {
			case !isNew:
				added.Known++
			case matched[i].Beacon != nil:
				added.Matched++
			default:
				added.Unmatched++
			}
		}
	}
	return added, nil
}

// match finds the transmissions that reports are of.
func (r *Reporter) match(ctx context.Context, f *fleet.Fleet, reports []heard.Reception) ([]store.Reception, error) {
	type slotAndCall struct {
		start    int64
		callsign string
	}
	known, own := map[string]bool{}, map[string]string{} // call signs; of beacons
	for _, b := range f.Beacons {
		known[b.Callsign], own[b.Name] = true, b.Callsign
	}
	var starts []time.Time
	var unknown []string
	for _, one := range reports {
		starts = append(starts, f.Network.Slot.Start(one.Slot))
		if !known[one.Callsign] {
			unknown = append(unknown, one.Callsign)
		}
	}
	former, err := r.Store.CallsignsSent(ctx, compact(unknown))
	if err != nil {
		return nil, err
	}
	ordered, err := r.Store.OrderedAt(ctx, compactTimes(starts))
	if err != nil {
		return nil, err
	}
	at := map[slotAndCall][]heard.Transmission{}
	for _, t := range ordered {
		callsign := own[t.Beacon]
		if t.Callsign != nil {
			callsign = *t.Callsign
		}
		key := slotAndCall{t.StartAt.Unix(), callsign}
		at[key] = append(at[key], heard.Transmission{Beacon: t.Beacon, Band: t.Band, Ending: t.Ending, Millihertz: t.FrequencyMillihertz})
	}
	matched := make([]store.Reception, len(reports))
	for i, one := range reports {
		start := f.Network.Slot.Start(one.Slot)
		slots := at[slotAndCall{start.Unix(), one.Callsign}]
		matched[i] = store.Reception{
			StartAt: start, Receiver: one.Receiver, Band: one.Band, Callsign: one.Callsign, FrequencyMillihertz: one.Millihertz,
			SNRdB: one.SNRdB, DriftHz: one.DriftHz, ReceiverLocator: one.ReceiverLocator.String(),
		}
		index, reason := heard.Match(one, known[one.Callsign] || former[one.Callsign], slots)
		if matched[i].Reason = string(reason); reason == heard.Matched {
			complete(&matched[i], f, slots[index], one.ReceiverLocator)
		}
	}
	return matched, nil
}

// complete notes which transmission a report is of, and how the signal went.
func complete(r *store.Reception, f *fleet.Fleet, t heard.Transmission, receiver locator.Locator) {
	r.Beacon, r.PlannedMillihertz = &t.Beacon, &t.Millihertz
	if b := f.Beacon(t.Beacon); b != nil {
		way := heard.WayTo(b.Site.Locator, receiver)
		metres, bearing := int64(math.Round(way.Km*1000)), way.Bearing
		r.DistanceM, r.Bearing = &metres, &bearing
	}
}

func compact(texts []string) []string {
	slices.Sort(texts)
	return slices.Compact(texts)
}

func compactTimes(times []time.Time) []time.Time {
	slices.SortFunc(times, time.Time.Compare)
	return slices.CompactFunc(times, time.Time.Equal)
}

// Rematch matches reports that came before the beacon's own word, and returns how
// many it looked at: call it again until it is none.
func (r *Reporter) Rematch(ctx context.Context) (int, error) {
	waiting, err := r.Store.WaitingReceptions(ctx, storeAtOnce)
	if err != nil || len(waiting) == 0 {
		return 0, err
	}
	current, _, err := r.now(ctx)
	if err != nil {
		return 0, err
	}
	reports := make([]heard.Reception, len(waiting))
	for i, w := range waiting {
		place, err := locator.Parse(w.ReceiverLocator)
		if err != nil {
			return 0, err
		}
		reports[i] = heard.Reception{
			Slot: current.Network.Slot.At(w.StartAt), Callsign: w.Callsign, Band: w.Band, Millihertz: w.FrequencyMillihertz,
			SNRdB: w.SNRdB, DriftHz: w.DriftHz, Receiver: w.Receiver, ReceiverLocator: place,
		}
	}
	matched, err := r.match(ctx, current, reports)
	if err != nil {
		return 0, err
	}
	settled := slices.DeleteFunc(matched, func(m store.Reception) bool { return m.Reason == string(heard.Waiting) })
	return len(settled), r.Store.RematchReceptions(ctx, settled)
}

// heardBy gathers who heard the beacons of a report.
func (r *Reporter) heardBy(ctx context.Context, q asked, c *report.Context) error {
	summary := heard.NewSummary(q.sent)
	err := r.eachHeard(ctx, q.names, q.period.From, q.period.To, func(h heard.Heard) { summary.Add(h) })
	c.Heard = summary.Result()
	return err
}

func (r *Reporter) eachHeard(ctx context.Context, names []string, from, to time.Time, do func(heard.Heard)) error {
	return r.Store.EachMatched(ctx, names, from, to, func(m store.Reception) error {
		if m.DistanceM == nil || m.Bearing == nil || m.PlannedMillihertz == nil {
			return nil // of a beacon that the fleet did not have: how far is not known
		}
		do(heard.Heard{
			Beacon: *m.Beacon, Band: m.Band, At: m.StartAt, Receiver: m.Receiver, ReceiverLocator: m.ReceiverLocator,
			OffsetMillihertz: m.FrequencyMillihertz - *m.PlannedMillihertz, PlannedMillihertz: *m.PlannedMillihertz,
			Way: heard.Way{Km: float64(*m.DistanceM) / 1000, Bearing: *m.Bearing},
		})
		return nil
	})
}

// Corrections proposes by how much each beacon's frequency is off on each band.
func (r *Reporter) Corrections(ctx context.Context, from, to time.Time) ([]heard.Correction, error) {
	var list []heard.Correction
	var pending []heard.Heard
	finish := func() {
		if len(pending) > 0 {
			list = append(list, heard.Correct(pending))
		}
		pending = nil
	}
	err := r.eachHeard(ctx, nil, from, to, func(h heard.Heard) {
		if len(pending) > 0 && (pending[0].Beacon != h.Beacon || pending[0].Band != h.Band) {
			finish()
		}
		pending = append(pending, h)
	})
	finish()
	return list, err
}
