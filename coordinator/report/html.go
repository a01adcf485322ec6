package report

import (
	_ "embed"
	"html/template"
	"io"
	"strconv"
	"time"

	"lamplighter/coordinator/rollup"
)

//go:embed page.html
var page string

// rollupLimit is the largest bound, in seconds, with which a transmission begins.
const rollupLimit = float64(rollup.ReadyBound) / float64(time.Second)

// longList is how many lines of a list a page shows.
const longList = 40

// HTML writes the report as one page that needs nothing else: for a screen of any
// width, light or dark, and for paper.
func (r *Report) HTML(w io.Writer, zone *time.Location) error {
	when := instants{zone}
	t, err := template.New("page").Funcs(template.FuncMap{
		"percent": Percent, "change": change, "delta": delta, "seconds": Seconds, "hm": HoursMinutes, "reason": ReasonWords,
		"n": func(v any) string {
			switch v := v.(type) {
			case int:
				return Number(v)
			case int64:
				return Number(v)
			}
			return ""
		},
		"utc": when.utc, "both": when.both, "span": when.span, "digits": Digits,
		"minutes": func(n int) string { return HoursMinutes(float64(n) * 60) },
		"heat":    r.heatMap, "clockplot": r.clockPlot, "strip": r.strip, "bars": r.bars, "rose": Heard.Picture,
		"some":   func(n int) int { return min(n, longList) },
		"more":   func(n int) int { return max(0, n-longList) },
		"three":  func(v *float64) string { return strconv.FormatFloat(*v, 'f', 3, 64) },
		"period": r.kind,
		"km":     func(v float64) string { return Number(int64(v + 0.5)) },
	}).Parse(page)
	if err != nil {
		return err
	}
	return t.Execute(w, r)
}
