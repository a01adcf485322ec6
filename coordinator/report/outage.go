package report

import (
	"time"

	"lamplighter/coordinator/rollup"
)

// mostOutages bounds how many outages of one beacon are listed; all are counted.
const mostOutages = 100

// shortestSilence is the fewest minutes without a sample that are listed.
const shortestSilence = 5

// runs follows a beacon minute by minute.
type runs struct {
	next    time.Time // the first minute that was not looked at
	gps     Outage
	silent  Outage
	listed  int
	started bool
}

// walk looks at the minutes of an hour.
func (b *Builder) walk(t *tally, h rollup.Hour) {
	if !t.run.started {
		t.run.started, t.run.next = true, b.options.Period.From
	}
	b.silence(t, h.Start)
	end := h.Start.Add(time.Hour)
	if h.Locked == rollup.AllMinutes && !t.run.next.After(h.Start) && !end.After(b.until) { // as most hours are
		b.endSilence(t)
		b.endGPS(t)
		t.run.next = end
		return
	}
	for n := range 60 {
		at := h.Start.Add(time.Duration(n) * time.Minute)
		if at.Before(t.run.next) || !at.Before(b.until) {
			continue
		}
		b.minute(t, at, h.Heard.Has(n), h.Locked.Has(n), h.Holdover.Has(n))
		t.run.next = at.Add(time.Minute)
	}
}

// silence looks at the minutes until an hour that were in no hour at all.
func (b *Builder) silence(t *tally, until time.Time) {
	if until.After(b.until) {
		until = b.until
	}
	if !t.run.next.Before(until) {
		return
	}
	b.endGPS(t)
	if t.run.silent.Minutes == 0 {
		t.run.silent.From = t.run.next
	}
	t.run.silent.Minutes += minutesBetween(t.run.next, until)
	t.run.silent.To, t.run.next = until, until
}

func (b *Builder) minute(t *tally, at time.Time, heard, locked, holdover bool) {
	if heard {
		b.endSilence(t)
	} else {
		t.run.silent.extend(at)
	}
	if !heard || locked {
		b.endGPS(t)
		return
	}
	t.run.gps.extend(at)
	if holdover {
		t.run.gps.Holdover++
	}
}

func (o *Outage) extend(at time.Time) {
	if o.Minutes == 0 {
		o.From = at
	}
	o.Minutes++
	o.To = at.Add(time.Minute)
}

func (b *Builder) endGPS(t *tally) {
	if o := t.run.gps; o.Minutes > 0 {
		t.outages++
		t.outageMinutes += o.Minutes
		b.list(t, o, "gps")
	}
	t.run.gps = Outage{}
}

func (b *Builder) endSilence(t *tally) {
	if o := t.run.silent; o.Minutes >= shortestSilence {
		b.list(t, o, "silent")
	}
	t.run.silent = Outage{}
}

func (b *Builder) list(t *tally, o Outage, kind string) {
	if t.run.listed++; t.run.listed <= mostOutages {
		o.Beacon, o.Kind, o.From, o.To = t.beacon.Beacon, kind, o.From.UTC(), o.To.UTC()
		b.outages = append(b.outages, o)
	}
}

// finishOutages ends what goes on at the end of a beacon's hours.
func (b *Builder) finishOutages() {
	if t := b.current; t != nil {
		b.silence(t, b.until)
		b.endGPS(t)
		b.endSilence(t)
	}
	b.current = nil
}
