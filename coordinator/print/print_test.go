package print_test

import (
	"bytes"
	"regexp"
	"testing"
	"time"

	"lamplighter/coordinator/print"
	"lamplighter/coordinator/report"
	"lamplighter/coordinator/report/reporttest"
	"lamplighter/coordinator/rollup"
)

func small(t *testing.T, beacons int) *report.Report {
	t.Helper()
	p, err := report.ParseWeek("2026-W48", time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	w, err := reporttest.Generate(3, p.From, p.From.Add(6*24*time.Hour), time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	b := report.New(report.Options{Period: p, Now: p.To, Fleets: []report.Fleet{{Fleet: w.Fleet, From: p.From, To: p.To}}})
	for _, one := range w.Beacons[:beacons] {
		var samples []rollup.Sample
		for _, s := range one.Samples {
			samples = append(samples, rollup.Sample{At: s.At, Lock: s.Lock, ClockErrorNs: &s.ClockErrorNs})
		}
		for at := p.From; at.Before(p.To); at = at.Add(time.Hour) {
			b.Add(rollup.Roll(one.Name, at, samples, []rollup.Slot{{Band: "40m", Ending: "skipped", Reason: "hushed"}, {Band: "20m", Ending: "sent", Keyed: time.Minute}}))
		}
	}
	return b.Report(report.Context{})
}

// The same report gives the same file, it is a PDF, and it grows by pages.
func TestAReportIsPrinted(t *testing.T) {
	pages := regexp.MustCompile(`/Type /Page\b[^s]`)
	for _, beacons := range []int{0, 24} {
		r := small(t, beacons)
		var first, second bytes.Buffer
		for _, out := range []*bytes.Buffer{&first, &second} {
			if err := print.Report(out, r, time.UTC); err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.HasPrefix(first.Bytes(), []byte("%PDF-1.")) || !bytes.Contains(first.Bytes(), []byte("%%EOF")) {
			t.Errorf("%d beacons: %.20q … is no PDF", beacons, first.Bytes())
		}
		if !bytes.Equal(first.Bytes(), second.Bytes()) {
			t.Errorf("%d beacons: the same report gives two files", beacons)
		}
		if n := len(pages.FindAll(first.Bytes(), -1)); n < 2 || n > 6 {
			t.Errorf("%d beacons: %d pages", beacons, n)
		}
	}
}
