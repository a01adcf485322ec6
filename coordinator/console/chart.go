package console

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"
)

// The size of a chart, in units of its drawing.
const (
	chartWide = 640
	chartHigh = 130
)

// chart is a quantity over time.
type chart struct {
	ID, Title string
	Unit      string
	Path      string // of the line
	Lines     []chartLine
	Shades    []chartShade
	Ticks     []chartTick // of time
	Points    string      // JSON: [[milliseconds, value, words], ...]
	Rows      []chartRow  // the same as a table
	From, To  time.Time
	Empty     bool
}

type chartLine struct {
	Y     float64
	Words string
	Limit bool
}

// chartShade is a stretch of time that is told apart, such as holdover.
type chartShade struct {
	X, Width float64
	Words    string
}

type chartTick struct {
	X     float64
	Words string
}

type chartRow struct {
	At    time.Time
	Value string
}

// reading is one value at a time.
type reading struct {
	at    time.Time
	value float64
}

// scale turns values into heights.
type scale struct {
	low, high float64
	log       bool
}

func (s scale) y(v float64) float64 {
	low, high := s.low, s.high
	if s.log {
		v, low, high = math.Log10(max(v, s.low)), math.Log10(s.low), math.Log10(s.high)
	}
	part := (v - low) / (high - low)
	return math.Round((1-min(1, max(0, part)))*chartHigh*10) / 10
}

// fit is a scale that holds all values with some room.
func fit(list []reading) scale {
	low, high := math.Inf(1), math.Inf(-1)
	for _, r := range list {
		low, high = min(low, r.value), max(high, r.value)
	}
	room := max((high-low)*0.15, math.Abs(high)*0.02, 0.5)
	return scale{low: low - room, high: high + room}
}

// draw fills a chart. Where readings lie further apart than a fortieth of the
// whole and than any usual rhythm, the line is broken: nothing is known there.
func (c chart) draw(list []reading, s scale, words func(float64) string) chart {
	c.Empty = len(list) == 0
	gap := max(c.To.Sub(c.From)/40, 3*time.Minute)
	var path strings.Builder
	points := make([][3]any, 0, len(list))
	for i, r := range list {
		verb := "L"
		if i == 0 || r.at.Sub(list[i-1].at) > gap {
			verb = "M"
		}
		fmt.Fprintf(&path, "%s%.1f %.1f", verb, c.x(r.at), s.y(r.value))
		points = append(points, [3]any{r.at.UnixMilli(), s.y(r.value), words(r.value)})
	}
	c.Path = path.String()
	if text, err := json.Marshal(points); err == nil {
		c.Points = string(text)
	}
	step := max(1, len(list)/60)
	for i := len(list) - 1; i >= 0; i -= step {
		c.Rows = append(c.Rows, chartRow{list[i].at, words(list[i].value)})
	}
	c.ticks()
	return c
}

func (c chart) x(t time.Time) float64 {
	return t.Sub(c.From).Seconds() / c.To.Sub(c.From).Seconds() * chartWide
}

func (c *chart) ticks() {
	step, span := 24*time.Hour, c.To.Sub(c.From)
	for _, s := range []time.Duration{5 * time.Minute, 15 * time.Minute, time.Hour, 3 * time.Hour, 6 * time.Hour, 24 * time.Hour, 4 * 24 * time.Hour} {
		if step = s; span/s <= 8 {
			break
		}
	}
	for t := c.From.Truncate(step).Add(step); t.Before(c.To); t = t.Add(step) {
		words := t.Format("15:04")
		if step >= 24*time.Hour {
			words = t.Format("01-02")
		}
		c.Ticks = append(c.Ticks, chartTick{c.x(t), words})
	}
}
