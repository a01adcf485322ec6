package print

import (
	"fmt"
	"math"
	"time"

	"lamplighter/coordinator/report"
	"lamplighter/coordinator/rollup"
)

// heat draws what was sent on each band, by day and hour: two maps beside each
// other.
func (p *paper) heat() {
	r := p.report
	if len(r.Bands) == 0 || len(r.Days) > 62 {
		return
	}
	const cell, label, gap = 2.85, 17.0, 6.0
	height := 9 + float64(len(r.Days))*cell
	p.heading("When and where we were on the air", height)
	p.note("Transmissions sent, by day and hour of the day; the stronger the colour, the more.")
	top := p.GetY()
	for i, band := range r.Bands {
		x := margin
		if i%2 == 1 {
			x += label + 24*cell + gap
		} else if i > 0 {
			p.SetY(top + height)
			p.room(height)
			top = p.GetY()
		}
		p.heatMap(band, x, top, label, cell)
	}
	p.SetXY(margin, top+height)
}

func (p *paper) heatMap(band report.Band, x, y, label, cell float64) {
	var most int64 = 1
	for _, day := range band.Heat {
		for _, n := range day {
			most = max(most, n)
		}
	}
	p.SetXY(x, y)
	p.SetFont("go", "B", 8.5)
	p.write(ink)
	p.CellFormat(60, 4, band.Band+": "+report.Number(band.Sent)+" sent, "+report.HoursMinutes(band.Airtime), "", 0, "L", false, 0, "")
	p.SetFont("go", "", 6)
	p.write(soft)
	for hour := 0; hour < 24; hour += 3 {
		p.SetXY(x+label+float64(hour)*cell, y+4)
		p.CellFormat(cell, 3, fmt.Sprintf("%02d", hour), "", 0, "C", false, 0, "")
	}
	for day, hours := range band.Heat {
		row := y + 7 + float64(day)*cell
		p.SetXY(x, row)
		p.CellFormat(label-1, cell, p.report.Days[day].In(p.zone).Format("Mon 2 Jan"), "", 0, "R", false, 0, "")
		for hour, n := range hours {
			p.fill(shade(float64(n) / float64(most)))
			p.Rect(x+label+float64(hour)*cell, row, cell-0.25, cell-0.25, "F")
		}
	}
}

// shade is between the colour of an empty cell and that of the lamp.
func shade(share float64) colour {
	if share == 0 {
		return card
	}
	mix := func(a, b int) int { return a + int(math.Round((0.18+0.82*share)*float64(b-a))) }
	return colour{mix(255, lamp.r), mix(255, lamp.g), mix(255, lamp.b)}
}

// clocks draws the bounds on the clocks' errors on a logarithmic scale.
func (p *paper) clocks() {
	r := p.report
	if len(r.Clock) == 0 || r.Figures.Clock == nil {
		return
	}
	const height, left = 45.0, 16.0
	p.heading("How good the clocks were", height+14)
	p.note("Bound on the error by hour, over all beacons: green the median, blue the 95th percentile, yellow the worst; red is the limit above which a beacon is silent.")
	limit := rollup.ReadyBound.Seconds()
	low, high := math.Inf(1), limit
	for _, h := range r.Clock {
		low, high = math.Min(low, h.Median), math.Max(high, h.Worst)
	}
	low, high = math.Floor(math.Log10(math.Max(low, 1e-9))), math.Ceil(math.Log10(high))
	top := p.GetY()
	x := func(t time.Time) float64 {
		return margin + left + (width-left)*t.Sub(r.From).Seconds()/r.To.Sub(r.From).Seconds()
	}
	y := func(v float64) float64 {
		return top + height - height*(math.Log10(math.Max(v, math.Pow(10, low)))-low)/(high-low)
	}
	p.SetFont("go", "", 6.5)
	p.write(soft)
	p.draw(line)
	p.SetLineWidth(0.15)
	for decade := low; decade <= high; decade++ {
		v := math.Pow(10, decade)
		p.Line(margin+left, y(v), margin+width, y(v))
		p.SetXY(margin, y(v)-1.5)
		p.CellFormat(left-1, 3, report.Seconds(v), "", 0, "R", false, 0, "")
	}
	for i, day := range r.Days {
		if len(r.Days) > 14 && i%7 != 0 {
			continue
		}
		p.Line(x(day), top, x(day), top+height)
		p.SetXY(x(day), top+height+0.5)
		p.CellFormat(20, 3, day.In(p.zone).Format("Mon 2"), "", 0, "L", false, 0, "")
	}
	p.draw(bad)
	p.SetDashPattern([]float64{1, 0.8}, 0)
	p.Line(margin+left, y(limit), margin+width, y(limit))
	p.SetDashPattern(nil, 0)
	p.curve(part, 0.2, x, func(h report.HourlyClock) float64 { return y(h.Worst) })
	p.curve(blue, 0.35, x, func(h report.HourlyClock) float64 { return y(h.P95) })
	p.curve(good, 0.35, x, func(h report.HourlyClock) float64 { return y(h.Median) })
	p.SetXY(margin, top+height+5)
	c := r.Figures.Clock
	p.SetFont("go", "", 8.5)
	p.write(ink)
	p.MultiCell(width, 4.4, fmt.Sprintf("Half of %s samples were better than %s, 95 %% than %s, 99 %% than %s; the worst was %s, %s.",
		report.Number(c.Samples), report.Seconds(c.Median), report.Seconds(c.P95), report.Seconds(c.P99), report.Seconds(c.Worst), p.utc(*r.WorstAt)), "", "L", false)
}

// curve draws a line over the hours; it breaks where hours are missing.
func (p *paper) curve(c colour, thick float64, x func(time.Time) float64, y func(report.HourlyClock) float64) {
	p.draw(c)
	p.SetLineWidth(thick)
	hours := p.report.Clock
	for i := 1; i < len(hours); i++ {
		if hours[i].At.Sub(hours[i-1].At) == time.Hour {
			p.Line(x(hours[i-1].At), y(hours[i-1]), x(hours[i].At), y(hours[i]))
		}
	}
}
