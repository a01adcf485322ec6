package report

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"lamplighter/coordinator/rollup"
)

// tally adds up what is known of a beacon, or of several.
type tally struct {
	beacon   Beacon
	locator  string
	priority float64

	minutes, heard, ready, locked, holdover int
	slots                                   Slots
	counts                                  map[reasonKey]int64
	airtime                                 time.Duration
	clock, frequency                        rollup.Histogram
	worst                                   rollup.Worst
	outages, outageMinutes                  int
	wanted, missing                         int64

	strip  []uint8
	blocks map[blockKey]*Block
	run    runs
}

type blockKey struct {
	band string
	hour int
}

type reasonKey struct{ band, ending, reason string }

// add takes an hour into account.
func (t *tally) add(h rollup.Hour) {
	t.heard += h.Heard.Count()
	t.ready += h.Ready.Count()
	t.locked += h.Locked.Count()
	t.holdover += h.Holdover.Count()
	t.clock.Add(h.Clock)
	t.frequency.Add(h.Frequency)
	t.worst = worse(t.worst, h.Worst)
	for _, c := range h.Slots {
		t.slots.add(c)
		t.airtime += c.Keyed
		t.counts[reasonKey{c.Band, c.Ending, c.Reason}] += c.Slots
		granted, sent := grantedSent(c)
		if granted {
			block := t.block(blockKey{c.Band, h.Start.UTC().Hour() / blockHours * blockHours})
			block.Granted += c.Slots
			if sent {
				block.Sent += c.Slots
			}
		}
	}
}

func worse(a, b rollup.Worst) rollup.Worst {
	if b.At.IsZero() || !a.At.IsZero() && (a.Ns > b.Ns || a.Ns == b.Ns && !b.At.Before(a.At)) {
		return a
	}
	return b
}

func (t *tally) block(key blockKey) *Block {
	block := t.blocks[key]
	if block == nil {
		block = &Block{Band: key.band, Hour: key.hour}
		t.blocks[key] = block
	}
	return block
}

// want takes in what the beacon wants.
func (t *tally) want(w want) {
	t.wanted += w.demand
	for key, wanted := range w.blocks {
		t.block(key).Wanted += wanted
	}
}

// merge adds what another one has.
func (t *tally) merge(o *tally) {
	if t.counts == nil {
		t.counts = map[reasonKey]int64{}
	}
	t.minutes += o.minutes
	t.heard += o.heard
	t.ready += o.ready
	t.locked += o.locked
	t.holdover += o.holdover
	t.slots.merge(o.slots)
	for key, n := range o.counts {
		t.counts[key] += n
	}
	t.airtime += o.airtime
	t.clock.Add(o.clock)
	t.frequency.Add(o.frequency)
	t.worst = worse(t.worst, o.worst)
	t.outages += o.outages
	t.outageMinutes += o.outageMinutes
	t.wanted += o.wanted
	t.missing += o.missing
}

// figures are what came out. shares are sent by wanted of each beacon.
func (t *tally) figures(shares []float64) Figures {
	f := Figures{
		Minutes: t.minutes, Heard: t.heard, Ready: t.ready, Locked: t.locked, Holdover: t.holdover,
		Uptime: ratio(t.heard, t.minutes), Readiness: ratio(t.ready, t.minutes),
		Slots: t.slots, Reasons: t.reasons(), Airtime: t.airtime.Seconds(),
		Clock: spreadOf(t.clock, t.worst.Ns, 1e9), OutageCount: t.outages, OutageMinutes: t.outageMinutes,
		Wanted: t.wanted, Jain: jain(shares), Missing: t.missing,
	}
	if !t.worst.At.IsZero() {
		at := t.worst.At.UTC()
		f.WorstAt = &at
	}
	if n := len(t.frequency); n > 0 {
		f.Frequency = spreadOf(t.frequency, t.frequency[n-1].Value, 1000)
	}
	return f
}

// reasons lists what did not end as sent, the most frequent first.
func (t *tally) reasons() []ReasonCount {
	list := []ReasonCount{}
	for key, n := range t.counts {
		if key.ending == "sent" && key.reason == "" || key.ending == "withdrawn" {
			continue
		}
		list = append(list, ReasonCount{key.band, key.ending, key.reason, n})
	}
	slices.SortFunc(list, func(a, b ReasonCount) int {
		return cmp.Or(-cmp.Compare(a.Slots, b.Slots), cmp.Compare(a.Ending, b.Ending), cmp.Compare(a.Reason, b.Reason), cmp.Compare(a.Band, b.Band))
	})
	return list
}

// finish is the beacon with what came out.
func (t *tally) finish() Beacon {
	t.beacon.Figures = t.figures(nil)
	t.beacon.Strip = t.strip
	t.beacon.Blocks = []Block{}
	for _, block := range t.blocks {
		block.Wanted = math.Round(block.Wanted*1000) / 1000
		t.beacon.Blocks = append(t.beacon.Blocks, *block)
	}
	slices.SortFunc(t.beacon.Blocks, func(a, b Block) int {
		return cmp.Or(-cmp.Compare(metres(a.Band), metres(b.Band)), cmp.Compare(a.Band, b.Band), cmp.Compare(a.Hour, b.Hour))
	})
	return t.beacon
}

// metres is the wavelength in a band's name, by which bands are sorted.
func metres(band string) float64 {
	if n, err := strconv.ParseFloat(strings.TrimSuffix(band, "cm"), 64); err == nil && strings.HasSuffix(band, "cm") {
		return n / 100
	}
	n, _ := strconv.ParseFloat(strings.TrimSuffix(band, "m"), 64)
	return n
}
