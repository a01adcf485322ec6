package report

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"
)

// svg is a picture under way. Its colours are those of the page's style sheet, so
// that it is right in the light and in the dark.
type svg struct{ strings.Builder }

func (s *svg) add(format string, args ...any) { fmt.Fprintf(&s.Builder, format, args...) }

func (s *svg) text(x, y float64, class, anchor, text string) {
	s.add(`<text x="%.1f" y="%.1f" class="%s" text-anchor="%s">%s</text>`, x, y, class, anchor, template.HTMLEscapeString(text))
}

func (s *svg) open(width, height float64, label string) {
	s.add(`<svg viewBox="0 0 %.0f %.0f" role="img" aria-label="%s" preserveAspectRatio="xMinYMin meet">`, width, height, template.HTMLEscapeString(label))
}

func (s *svg) done() template.HTML {
	s.WriteString("</svg>")
	return template.HTML(s.String()) //nolint:gosec // all text in it went through the escape above
}

// heatMap draws what was sent on a band, by day and hour.
func (r *Report) heatMap(b Band) template.HTML {
	const cell, left, top = 13.0, 66.0, 14.0
	var most int64 = 1
	for _, day := range b.Heat {
		for _, n := range day {
			most = max(most, n)
		}
	}
	var s svg
	s.open(left+24*cell+4, top+float64(len(b.Heat))*cell+2, fmt.Sprintf("Transmissions on %s by day and hour", b.Band))
	for hour := 0; hour < 24; hour += 3 {
		s.text(left+(float64(hour)+0.5)*cell, top-4, "small", "middle", fmt.Sprintf("%02d", hour))
	}
	for day, hours := range b.Heat {
		y := top + float64(day)*cell
		if len(b.Heat) <= 14 || day%7 == 0 {
			s.text(left-5, y+cell-3, "small", "end", r.Days[day].Format("Mon 2 Jan"))
		}
		for hour, n := range hours {
			x := left + float64(hour)*cell
			if n == 0 {
				s.add(`<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f" class="none"/>`, x, y, cell-1.5, cell-1.5)
				continue
			}
			s.add(`<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f" class="heat" fill-opacity="%.2f"><title>%s %02d:00: %d</title></rect>`,
				x, y, cell-1.5, cell-1.5, 0.18+0.82*float64(n)/float64(most), r.Days[day].Format("Mon 2 Jan"), hour, n)
		}
	}
	return s.done()
}

// clockPlot draws the clocks' bounds over the period, on a logarithmic scale.
func (r *Report) clockPlot() template.HTML {
	const width, height, left, right, top, bottom = 720.0, 190.0, 52.0, 8.0, 8.0, 22.0
	low, high := math.Inf(1), rollupLimit
	for _, h := range r.Clock {
		low, high = math.Min(low, h.Median), math.Max(high, h.Worst)
	}
	if math.IsInf(low, 1) {
		return ""
	}
	low = math.Pow(10, math.Floor(math.Log10(math.Max(low, 1e-9))))
	high = math.Pow(10, math.Ceil(math.Log10(high)))
	x := func(t time.Time) float64 {
		return left + (width-left-right)*t.Sub(r.From).Seconds()/r.To.Sub(r.From).Seconds()
	}
	y := func(v float64) float64 {
		share := (math.Log10(math.Max(v, low)) - math.Log10(low)) / (math.Log10(high) - math.Log10(low))
		return height - bottom - share*(height-top-bottom)
	}
	var s svg
	s.open(width, height, "Bounds on the clocks' errors over the period")
	for v := low; v <= high*1.01; v *= 10 {
		s.add(`<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" class="grid"/>`, left, width-right, y(v), y(v))
		s.text(left-5, y(v)+3.5, "small", "end", Seconds(v))
	}
	for i, day := range r.Days {
		if len(r.Days) > 14 && i%7 != 0 {
			continue
		}
		s.add(`<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" class="grid"/>`, x(day), x(day), top, height-bottom)
		s.text(x(day)+3, height-7, "small", "start", day.Format("Mon 2"))
	}
	s.add(`<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" class="limit"/>`, left, width-right, y(rollupLimit), y(rollupLimit))
	s.text(width-right-3, y(rollupLimit)-4, "small limit-text", "end", "silent above "+Seconds(rollupLimit))
	lines := []struct {
		class string
		of    func(HourlyClock) float64
	}{
		{"worst", func(h HourlyClock) float64 { return h.Worst }},
		{"p95", func(h HourlyClock) float64 { return h.P95 }},
		{"median", func(h HourlyClock) float64 { return h.Median }},
	}
	for _, line := range lines {
		s.add(`<path class="line %s" d="`, line.class)
		for i, h := range r.Clock {
			move := "L"
			if i == 0 || h.At.Sub(r.Clock[i-1].At) > time.Hour {
				move = "M"
			}
			s.add("%s%.1f %.1f", move, x(h.At.Add(30*time.Minute)), y(line.of(h)))
		}
		s.add(`"/>`)
	}
	return s.done()
}

// strip draws in which hours a beacon was heard of.
func (r *Report) strip(b Beacon) template.HTML {
	width := float64(len(b.Strip))
	var s svg
	s.add(`<svg viewBox="0 0 %.0f 10" class="strip" role="img" aria-label="%s" preserveAspectRatio="none">`, width, template.HTMLEscapeString("Heard of "+b.Beacon+" by hour"))
	for from := 0; from < len(b.Strip); {
		to := from
		for to < len(b.Strip) && level(b.Strip[to]) == level(b.Strip[from]) {
			to++
		}
		s.add(`<rect x="%d" y="0" width="%d" height="10" class="%s"/>`, from, to-from, level(b.Strip[from]))
		from = to
	}
	return s.done()
}

// level is how well an hour was covered, by the minutes heard.
func level(minutes uint8) string {
	switch {
	case minutes >= 59:
		return "up"
	case minutes == 0:
		return "down"
	}
	return "partly"
}

// bars draws wanted, granted and sent of a beacon, by the most that any wanted.
func (r *Report) bars(b Beacon) template.HTML {
	most := int64(1)
	for _, other := range r.Beacons {
		most = max(most, other.Wanted, other.Ordered)
	}
	width := func(n int64) float64 { return 200 * float64(n) / float64(most) }
	var s svg
	s.add(`<svg viewBox="0 0 200 12" class="bars" role="img" aria-label="%s" preserveAspectRatio="none">`,
		template.HTMLEscapeString(fmt.Sprintf("%s: %d wanted, %d ordered, %d sent", b.Beacon, b.Wanted, b.Ordered, b.Sent)))
	s.add(`<rect x="0" y="0" width="%.1f" height="12" class="wanted"/>`, width(b.Wanted))
	s.add(`<rect x="0" y="2" width="%.1f" height="8" class="granted"/>`, width(b.Ordered))
	s.add(`<rect x="0" y="4" width="%.1f" height="4" class="sent"/>`, width(b.Sent))
	return s.done()
}

// Picture draws the rose of where a beacon was heard: how far in each direction,
// a ring for each four hours of the day. Its classes are ring, heat and small.
func (h Heard) Picture() template.HTML {
	const size, middle, rings = 150.0, 75.0, 24 / blockHours
	farthest := 1.0
	for _, sector := range h.Rose {
		for _, km := range sector.Km {
			farthest = math.Max(farthest, km)
		}
	}
	var s svg
	s.open(size, size, fmt.Sprintf("Where %s was heard on %s, by direction and hour", h.Beacon, h.Band))
	inner, step := 14.0, 8.0
	for ring := 0; ring <= rings; ring++ {
		s.add(`<circle cx="%.1f" cy="%.1f" r="%.1f" class="ring"/>`, middle, middle, inner+float64(ring)*step)
	}
	for _, sector := range h.Rose {
		for ring, km := range sector.Km {
			if km == 0 {
				continue
			}
			from, to := float64(sector.Bearing)-11, float64(sector.Bearing)+11
			near, far := inner+float64(ring)*step+0.8, inner+float64(ring+1)*step-0.8
			s.add(`<path class="heat" fill-opacity="%.2f" d="%s"><title>%d°, %02d–%02d UTC: %.0f km</title></path>`,
				0.25+0.75*km/farthest, sectorPath(middle, near, far, from, to), sector.Bearing, ring*blockHours, (ring+1)*blockHours, km)
		}
	}
	for i, letter := range []string{"N", "E", "S", "W"} {
		angle := float64(i) * math.Pi / 2
		s.text(middle+68*math.Sin(angle), middle-68*math.Cos(angle)+3.5, "small", "middle", letter)
	}
	return s.done()
}

func sectorPath(middle, near, far, from, to float64) string {
	at := func(radius, degrees float64) string {
		angle := degrees * math.Pi / 180
		return fmt.Sprintf("%.1f %.1f", middle+radius*math.Sin(angle), middle-radius*math.Cos(angle))
	}
	return fmt.Sprintf("M%sA%.1f %.1f 0 0 1 %sL%sA%.1f %.1f 0 0 0 %sZ", at(far, from), far, far, at(far, to), at(near, to), near, near, at(near, from))
}
