package reporttest

import (
	"fmt"
	"sort"
	"strconv"
	"strings"
	"time"
)

// Truth is what a report has to say.
type Truth struct {
	Minutes                       int
	heard, notReady, notLocked    map[int64]bool
	holdover                      map[int64]bool
	clock                         []int64
	WorstNs                       int64
	WorstAt                       time.Time
	frequency                     []float64
	Slots                         map[string]int    // by ending
	Reasons                       map[string]int    // by band, ending and reason
	ByBand                        map[string]int    // sent
	Heat                          map[string]int    // sent, by band and hour of Unix time
	Blocks                        map[string][2]int // ordered and sent, by band and block of the UTC day
	Keyed                         time.Duration
	Outages                       []string // beacon, kind, from and to
	GPSOutages, GPSOutagesMinutes int
	offset                        int64
}

func newTruth(from, to time.Time) *Truth {
	return &Truth{
		Minutes: int(to.Sub(from) / time.Minute), heard: map[int64]bool{}, notReady: map[int64]bool{}, notLocked: map[int64]bool{},
		holdover: map[int64]bool{}, Slots: map[string]int{}, Reasons: map[string]int{}, ByBand: map[string]int{},
		Heat: map[string]int{}, Blocks: map[string][2]int{},
	}
}

func (t *Truth) sample(s Sample) {
	minute := s.At.Unix() / 60
	t.heard[minute] = true
	if s.Lock != "locked" {
		t.notLocked[minute], t.notReady[minute] = true, true
	}
	if s.Lock == "holdover" {
		t.holdover[minute] = true
	}
	if s.ClockErrorNs > 500_000_000 {
		t.notReady[minute] = true
	}
	if s.ClockErrorNs > t.WorstNs {
		t.WorstNs, t.WorstAt = s.ClockErrorNs, s.At
	}
	t.clock = append(t.clock, s.ClockErrorNs)
	t.frequency = append(t.frequency, s.FrequencyPpb)
}

func (t *Truth) slot(s Slot) {
	t.Slots[s.Ending]++
	t.Slots["ordered"]++
	if s.Ending != "sent" {
		t.Reasons[s.Band+" "+s.Ending+" "+s.Reason]++
	}
	t.Keyed += s.Keyed
	block := fmt.Sprintf("%s %d", s.Band, s.Start.UTC().Hour()/4*4)
	count := t.Blocks[block]
	count[0]++
	if s.Ending == "sent" {
		count[1]++
		t.ByBand[s.Band]++
		t.Heat[fmt.Sprintf("%s %d", s.Band, s.Start.Unix()/3600)]++
	}
	t.Blocks[block] = count
}

// fault notes the outages that follow from faults.
func (t *Truth) fault(beacon string, faults []fault, _, to time.Time) {
	for _, f := range faults {
		end := f.to
		if end.After(to) {
			end = to
		}
		minutes := int(end.Sub(f.from) / time.Minute)
		switch f.kind {
		case "holdover", "none":
			t.GPSOutages++
			t.GPSOutagesMinutes += minutes
			t.Outages = append(t.Outages, outage(beacon, "gps", f.from, end))
		case "off", "dead":
			if minutes >= 5 {
				t.Outages = append(t.Outages, outage(beacon, "silent", f.from, end))
			}
		}
	}
}

func outage(beacon, kind string, from, to time.Time) string {
	return fmt.Sprint(beacon, " ", kind, " ", from.UTC().Format(time.RFC3339), " ", to.UTC().Format(time.RFC3339))
}

// merge adds another beacon's; minutes of several beacons are told apart.
func (t *Truth) merge(o *Truth) {
	t.offset += 1 << 40
	for _, sets := range [][2]map[int64]bool{{t.heard, o.heard}, {t.notReady, o.notReady}, {t.notLocked, o.notLocked}, {t.holdover, o.holdover}} {
		for minute := range sets[1] {
			sets[0][minute+t.offset] = true
		}
	}
	if t.offset > 1<<40 {
		t.Minutes += o.Minutes
	}
	t.clock, t.frequency = append(t.clock, o.clock...), append(t.frequency, o.frequency...)
	if o.WorstNs > t.WorstNs {
		t.WorstNs, t.WorstAt = o.WorstNs, o.WorstAt
	}
	for _, counts := range [][2]map[string]int{{t.Slots, o.Slots}, {t.Reasons, o.Reasons}, {t.ByBand, o.ByBand}, {t.Heat, o.Heat}} {
		for key, n := range counts[1] {
			counts[0][key] += n
		}
	}
	t.Keyed += o.Keyed
	t.Outages = append(t.Outages, o.Outages...)
	t.GPSOutages += o.GPSOutages
	t.GPSOutagesMinutes += o.GPSOutagesMinutes
}

// Heard counts the minutes with a sample.
func (t *Truth) Heard() int { return len(t.heard) }

// Ready counts the minutes in which nothing was wrong.
func (t *Truth) Ready() int { return without(t.heard, t.notReady) }

// Locked counts the minutes in which GPS was locked throughout.
func (t *Truth) Locked() int { return without(t.heard, t.notLocked) }

// Holdover counts the minutes with a sample in holdover.
func (t *Truth) Holdover() int { return len(t.holdover) }

func without(all, those map[int64]bool) (n int) {
	for minute := range all {
		if !those[minute] {
			n++
		}
	}
	return n
}

// ClockNs is a percentile of the clocks' bounds: the nearest rank, rounded up to
// three digits.
func (t *Truth) ClockNs(percent int) int64 {
	sort.Slice(t.clock, func(i, j int) bool { return t.clock[i] < t.clock[j] })
	rank := (len(t.clock)*percent + 99) / 100
	return threeDigits(t.clock[rank-1])
}

// FrequencyPpt is the same of the bounds on the frequency, in parts per 10^12.
func (t *Truth) FrequencyPpt(percent int) int64 {
	sort.Float64s(t.frequency)
	ppt := t.frequency[(len(t.frequency)*percent+99)/100-1] * 1000
	whole := int64(ppt)
	if float64(whole) < ppt {
		whole++
	}
	return threeDigits(whole)
}

// Samples counts them.
func (t *Truth) Samples() int { return len(t.clock) }

// threeDigits rounds up in decimal digits.
func threeDigits(v int64) int64 {
	digits := strconv.FormatInt(v, 10)
	if len(digits) <= 3 {
		return v
	}
	head, _ := strconv.Atoi(digits[:3])
	if strings.Trim(digits[3:], "0") != "" {
		head++
	}
	rounded, _ := strconv.ParseInt(strconv.Itoa(head)+strings.Repeat("0", len(digits)-3), 10, 64)
	return rounded
}
