package heard

import (
	"cmp"
	"math"
	"slices"
	"time"

	"lamplighter/coordinator/report"
)

// Heard is a report that matches a transmission of ours.
type Heard struct {
	Beacon, Band      string
	At                time.Time // when the slot began
	Receiver          string
	ReceiverLocator   string
	OffsetMillihertz  int64 // reported minus planned
	PlannedMillihertz int64
	Way
}

// sectors is into how many directions a rose is divided, and blocks into how many
// parts of the UTC day.
const (
	sectors = 16
	blocks  = 6
)

// Summary adds up who heard us, one report after the other, by beacon, band and
// time.
type Summary struct {
	sent map[[2]string]int64
	of   map[[2]string]*tally
}

type tally struct {
	heard     report.Heard
	receivers map[string]bool
	slots     map[int64]bool
	rose      [sectors]report.Sector
}

// NewSummary begins a summary; sent is how many transmissions were sent, by
// beacon and band.
func NewSummary(sent map[[2]string]int64) *Summary {
	return &Summary{sent, map[[2]string]*tally{}}
}

// Add takes a report into account; those from near by are left out.
func (s *Summary) Add(h Heard) {
	if !h.Counts() {
		return
	}
	key := [2]string{h.Beacon, h.Band}
	t := s.of[key]
	if t == nil {
		t = &tally{heard: report.Heard{Beacon: h.Beacon, Band: h.Band, First: h.At, Last: h.At}, receivers: map[string]bool{}, slots: map[int64]bool{}}
		for i := range t.rose {
			t.rose[i] = report.Sector{Bearing: int(math.Round(float64(i) * 360 / sectors)), Km: make([]float64, blocks)}
		}
		s.of[key] = t
	}
	t.heard.Reports++
	t.receivers[h.Receiver], t.slots[h.At.Unix()] = true, true
	if h.Km > t.heard.FarthestKm {
		t.heard.FarthestKm, t.heard.Farthest = math.Round(h.Km*10)/10, h.Receiver+" in "+h.ReceiverLocator
	}
	if h.At.Before(t.heard.First) {
		t.heard.First = h.At
	}
	if h.At.After(t.heard.Last) {
		t.heard.Last = h.At
	}
	sector := &t.rose[int(math.Round(h.Bearing/360*sectors))%sectors]
	sector.Reports++
	block := h.At.UTC().Hour() * blocks / 24
	sector.Km[block] = max(sector.Km[block], math.Round(h.Km*10)/10)
}

// Result lists who heard each beacon on each band.
func (s *Summary) Result() []report.Heard {
	list := []report.Heard{}
	for key, t := range s.of {
		h := t.heard
		h.Receivers, h.Rose = int64(len(t.receivers)), t.rose[:]
		if sent := s.sent[key]; sent > 0 {
			share := min(1, float64(len(t.slots))/float64(sent))
			h.Share = &share
		}
		list = append(list, h)
	}
	slices.SortFunc(list, func(a, b report.Heard) int {
		return cmp.Or(cmp.Compare(a.Beacon, b.Beacon), cmp.Compare(a.Band, b.Band))
	})
	return list
}

// What an unheard beacon takes to be worth an alert.
const (
	UnheardSent   = 80 // transmissions of it that nobody heard
	UnheardOthers = 10 // reports on others on the same band meanwhile
)

// Unheard says whether a beacon seems to transmit into nothing: it sent so many
// times on a band and nobody heard it, while others on the band were heard.
func Unheard(sent, heard, othersHeard int64) bool {
	return sent >= UnheardSent && heard == 0 && othersHeard >= UnheardOthers
}

// What a correction takes.
const (
	LeastReceivers = 10
	LeastReports   = 50
)

// Correction is by how much a beacon's frequency is off, as reported.
type Correction struct {
	Beacon, Band       string
	Receivers, Reports int64
	MedianPPB          float64
	SpreadPPB          float64 // from the first to the third quartile
	Enough             bool    // there are enough reports to say
}

// Correct proposes a correction from the reports on one beacon and band. Each
// receiver counts with the median of its own reports, so that one that reports
// much does not outweigh the rest; quartiles are by nearest rank.
func Correct(reports []Heard) Correction {
	if len(reports) == 0 {
		return Correction{}
	}
	c := Correction{Beacon: reports[0].Beacon, Band: reports[0].Band, Reports: int64(len(reports))}
	of := map[string][]float64{}
	for _, r := range reports {
		if r.PlannedMillihertz > 0 {
			of[r.Receiver] = append(of[r.Receiver], float64(r.OffsetMillihertz)/float64(r.PlannedMillihertz)*1e9)
		}
	}
	var offsets []float64
	for _, own := range of {
		offsets = append(offsets, median(own))
	}
	c.Receivers = int64(len(offsets))
	if c.Enough = c.Receivers >= LeastReceivers && c.Reports >= LeastReports; c.Enough {
		c.MedianPPB = median(offsets)
		c.SpreadPPB = rank(offsets, 0.75) - rank(offsets, 0.25)
	}
	return c
}

// median sorts values and gives the middle one, or the mean of the two there.
func median(values []float64) float64 {
	slices.Sort(values)
	n := len(values)
	return (values[(n-1)/2] + values[n/2]) / 2
}

// rank is the nearest rank of sorted values.
func rank(sorted []float64, p float64) float64 {
	return sorted[max(0, int(math.Ceil(p*float64(len(sorted))))-1)]
}
