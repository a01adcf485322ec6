package report

import (
	"fmt"
	"io"
	"strings"
	"time"
)

// Markdown writes the report as text for a newsletter: what matters, in a page.
func (r *Report) Markdown(w io.Writer, zone *time.Location) error {
	when := instants{zone}
	var out strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&out, format+"\n", args...) }
	line("# %s: %s\n", plainText(r.Title()), r.When())
	line("%s, %g hours. Days are those of %s.\n", when.span(r.From, r.To), r.Hours, r.Zone)
	if r.CompleteTo.Before(r.To) {
		line("**Data are complete to %s.**\n", when.both(r.CompleteTo))
	}
	for _, sentence := range r.Summary() {
		line("%s", sentence)
	}
	line("\n| | this %s | before |\n| --- | ---: | ---: |", r.kind())
	for _, row := range r.Comparison() {
		line("| %s | %s | %s |", row[0], row[1], row[2])
	}
	line("\n## Beacons\n\n| beacon | call sign | uptime | ready | ordered | sent | airtime | clock, 95 %% |\n| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: |")
	for _, b := range r.Beacons {
		clock := "–"
		if b.Clock != nil {
			clock = Seconds(b.Clock.P95)
		}
		line("| %s | %s | %s | %s | %s | %s | %s | %s |", b.Beacon, b.Callsign, Percent(b.Uptime), Percent(b.Readiness), Number(b.Ordered), Number(b.Sent), HoursMinutes(b.Airtime), clock)
	}
	line("\n## Bands\n\n| band | ordered | sent | airtime |\n| --- | ---: | ---: | ---: |")
	for _, b := range r.Bands {
		line("| %s | %s | %s | %s |", b.Band, Number(b.Ordered), Number(b.Sent), HoursMinutes(b.Airtime))
	}
	r.markdownEvents(line, when)
	line("\nMade %s. Revision %d.", when.both(r.MadeAt), r.Revision)
	_, err := io.WriteString(w, out.String())
	return err
}

func (r *Report) markdownEvents(line func(string, ...any), when instants) {
	if len(r.Heard) > 0 {
		line("\n## Who heard us\n\n| beacon | band | receivers | reports | heard share | farthest |\n| --- | --- | ---: | ---: | ---: | --- |")
		for _, h := range r.Heard[:min(longList, len(r.Heard))] {
			line("| %s | %s | %s | %s | %s | %.0f km, %s |", h.Beacon, h.Band, Number(h.Receivers), Number(h.Reports), Percent(h.Share), h.FarthestKm, plainText(h.Farthest))
		}
	}
	if len(r.Outages) > 0 {
		line("\n## What broke\n")
		for _, o := range r.Outages[:min(longList, len(r.Outages))] {
			line("- %s: %s, %s (%s)", o.Beacon, o.What(), when.span(o.From, o.To), HoursMinutes(float64(o.Minutes)*60))
		}
		if more := len(r.Outages) - longList; more > 0 {
			line("- and %d more", more)
		}
	}
	if len(r.Hushes) > 0 {
		line("\n## Silence by order\n")
		for _, h := range r.Hushes {
			line("- %s: %s, by %s (%s)", when.utc(h.From), h.Scope, plainText(h.By), plainText(h.Reason))
		}
	}
}

// What is the outage in words.
func (o Outage) What() string {
	switch {
	case o.Kind != "gps":
		return "not heard of"
	case o.Holdover > 0:
		return "GPS without lock (holdover)"
	}
	return "GPS without lock"
}

// Comparison is the period beside the one before: what, now, before.
func (r *Report) Comparison() [][3]string {
	rows := [][3]string{}
	add := func(what string, of func(Figures) string) {
		before := "–"
		if r.Before != nil {
			before = of(*r.Before)
		}
		rows = append(rows, [3]string{what, of(r.Figures), before})
	}
	add("uptime", func(f Figures) string { return Percent(f.Uptime) })
	add("ready to transmit", func(f Figures) string { return Percent(f.Readiness) })
	add("ordered", func(f Figures) string { return Number(f.Ordered) })
	add("sent", func(f Figures) string { return Number(f.Sent) })
	add("skipped", func(f Figures) string { return Number(f.Skipped) })
	add("aborted", func(f Figures) string { return Number(f.Aborted) })
	add("unreported", func(f Figures) string { return Number(f.Unreported) })
	add("airtime", func(f Figures) string { return HoursMinutes(f.Airtime) })
	add("clock error bound, median", func(f Figures) string {
		if f.Clock == nil {
			return "–"
		}
		return Seconds(f.Clock.Median)
	})
	add("clock error bound, worst", func(f Figures) string {
		if f.Clock == nil {
			return "–"
		}
		return Seconds(f.Clock.Worst)
	})
	add("GPS outages", func(f Figures) string { return Number(f.OutageCount) })
	add("Jain's index of fairness", func(f Figures) string {
		if f.Jain == nil {
			return "–"
		}
		return fmt.Sprintf("%.3f", *f.Jain)
	})
	return rows
}

// plainText keeps text that people wrote from being read as marks.
func plainText(text string) string {
	text = strings.Join(strings.Fields(text), " ")
	return strings.NewReplacer(`\`, `\\`, "|", `\|`, "*", `\*`, "_", `\_`, "`", "\\`", "[", `\[`, "<", "&lt;", "#", `\#`).Replace(text)
}
