package heard

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lamplighter/coordinator/report"
	"lamplighter/proto/onair/band"
	"lamplighter/proto/onair/locator"
	"lamplighter/proto/onair/slot"
)

var (
	now   = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	rules = Rules{Length: slot.Standard, Bands: band.Standard(), Now: now}
)

func place(t testing.TB, text string) locator.Locator {
	t.Helper()
	l, err := locator.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func number(v float64) *float64 { return &v }

const header = "time,callsign,frequency_hz,snr_db,drift_hz,receiver,receiver_locator\n"

func want(t testing.TB) Reception {
	return Reception{
		Slot: slot.Standard.At(time.Date(2026, 11, 24, 9, 16, 0, 0, time.UTC)), Callsign: "Q1ABC", Band: "40m", Millihertz: 7_040_103_200,
		SNRdB: number(-21), DriftHz: number(-1), Receiver: "Q9XYZ", ReceiverLocator: place(t, "FN42AX"),
	}
}

var locators = cmp.Comparer(func(a, b locator.Locator) bool { return a == b })

func TestReportsAreReadFromCSV(t *testing.T) {
	text := "\xef\xbb\xbf" + header + "2026-11-24T09:16:59Z,<q1abc>,7040103.2,-21,-1,q9xyz,fn42ax\r\n" +
		"2026-11-24T10:17:00+01:00,Q1ABC,7040103.2,,,Q9XYZ,FN42AX\n"
	read, refused, err := ReadCSV([]byte(text), rules)
	bare := want(t)
	bare.SNRdB, bare.DriftHz = nil, nil
	if diff := cmp.Diff([]Reception{want(t), bare}, read, locators); diff != "" || len(refused) > 0 || err != nil {
		t.Errorf("%s refused %v, %v", diff, refused, err)
	}
}

func TestReportsAreReadFromTheOpenExchangeFormat(t *testing.T) {
	text := "a log <ADIF_VER:5>3.1.6 <EOH>\n<call:5>Q1ABC <FREQ:9>7.0401032<qso_date:8:D>20261124 <TIME_ON:4>0916 <MODE:4>WSPR" +
		" <RST_RCVD:3>-21 <STATION_CALLSIGN:5>Q9XYZ <MY_GRIDSQUARE:6>FN42AX <COMMENT:7><EOR> <> <eor>\n<CALL:5>Q1ABC <EOR>"
	read, refused, err := ReadADIF([]byte(text), rules)
	one := want(t)
	one.DriftHz = nil
	if diff := cmp.Diff([]Reception{one}, read, locators); diff != "" || len(refused) != 1 || refused[0].Line != 2 || err != nil {
		t.Errorf("%s refused %v, %v", diff, refused, err)
	}
}

func TestAWrongReportIsRefusedWithASentence(t *testing.T) {
	for row, sentence := range map[string]string{
		"yesterday,Q1ABC,7040100,,,Q9XYZ,FN42":                "no time",
		"2026-11-25T12:06:00Z,Q1ABC,7040100,,,Q9XYZ,FN42":     "still to come",
		"2024-11-24T09:16:00Z,Q1ABC,7040100,,,Q9XYZ,FN42":     "days ago",
		"2026-11-24T09:16:00Z,ABCDEFGH,7040100,,,Q9XYZ,FN42":  "call sign",
		"2026-11-24T09:16:00Z,Q1ABC,7040100,,,,FN42":          "no name",
		"2026-11-24T09:16:00Z,Q1ABC,7040100,,,a b,FN42":       "no name",
		"2026-11-24T09:16:00Z,Q1ABC,7040100,,,Q9XYZ,FN4":      "locator",
		"2026-11-24T09:16:00Z,Q1ABC,NaN,,,Q9XYZ,FN42":         "frequency",
		"2026-11-24T09:16:00Z,Q1ABC,-7040100,,,Q9XYZ,FN42":    "frequency",
		"2026-11-24T09:16:00Z,Q1ABC,6540100,,,Q9XYZ,FN42":     "no band",
		"2026-11-24T09:16:00Z,Q1ABC,7040100,NaN,,Q9XYZ,FN42":  "noise",
		"2026-11-24T09:16:00Z,Q1ABC,7040100,,1e9,Q9XYZ,FN42":  "drift",
		"2026-11-24T09:16:00Z,Q1ABC,7040100,loud,,Q9XYZ,FN42": "no number",
		"2026-11-24T09:16:00Z":                                "frequency",
		`2026-11-24T09:16:00Z,"Q1ABC,7040100,,,Q9XYZ,FN42`:    "CSV",
	} {
		read, refused, err := ReadCSV([]byte(header+row+"\n"), rules)
		if err != nil || len(read) != 0 || len(refused) != 1 || !strings.Contains(refused[0].Sentence, sentence) || refused[0].Line != 2 {
			t.Errorf("%s: read %v, refused %v, %v; want %q", row, read, refused, err, sentence)
		}
	}
	for _, text := range []string{"", "time,callsign\n", strings.Repeat("x", MaxBytes+1)} {
		if _, _, err := ReadCSV([]byte(text), rules); err == nil {
			t.Errorf("%.20q is taken for a file of reports", text)
		}
	}
}

func TestAReportMatchesInSlotBandAndCallsign(t *testing.T) {
	r := Reception{Band: "40m"}
	on := func(band, ending string) Transmission { return Transmission{Beacon: band, Band: band, Ending: ending} }
	for _, c := range []struct {
		name  string
		known bool
		slots []Transmission
		index int
		want  Reason
	}{
		{"sent", true, []Transmission{on("20m", "sent"), on("40m", "sent")}, 1, Matched},
		{"broken off", true, []Transmission{on("40m", "aborted")}, 0, Matched},
		{"a stranger", false, nil, -1, UnknownCallsign},
		{"no slot", true, nil, -1, NotOrdered},
		{"another band", true, []Transmission{on("20m", "sent")}, -1, OtherBand},
		{"silent", true, []Transmission{on("40m", "skipped")}, -1, NotSent},
		{"not told yet", true, []Transmission{on("40m", "skipped"), on("40m", "open")}, -1, Waiting},
		{"never told", true, []Transmission{on("40m", "unreported")}, -1, Waiting},
	} {
		if index, reason := Match(r, c.known, c.slots); index != c.index || reason != c.want {
			t.Errorf("%s: %d, %q, want %d, %q", c.name, index, reason, c.index, c.want)
		}
	}
}

// Distances and azimuths by GeodSolve 2.1.2 (GeographicLib) on WGS 84, between
// the middles of the cells.
func TestWaysAreGeodesics(t *testing.T) {
	for _, c := range []struct {
		from, to    string
		km, bearing float64
		counts      bool
	}{
		{"JO62QM", "FN42AX", 6104.629, 296.784, true},
		{"IO91WM", "JN58TD", 923.560, 109.369, true},
		{"JO62QM", "RE78IR", 18128.510, 55.266, true},
		{"JJ00AA", "JJ00AB", 4.607, 0, false},
	} {
		way := WayTo(place(t, c.from), place(t, c.to))
		if math.Abs(way.Km-c.km) > 0.0006 || math.Abs(way.Bearing-c.bearing) > 0.0006 || way.Counts() != c.counts {
			t.Errorf("from %s to %s: %.3f km, %.3f°, counts: %v; want %v", c.from, c.to, way.Km, way.Bearing, way.Counts(), c)
		}
	}
}

func TestASummaryCountsTransmissionsOnceAndLeavesOutWhoIsNear(t *testing.T) {
	s := NewSummary(map[[2]string]int64{{"hilltop-hf", "40m"}: 8})
	at := func(hour int) time.Time { return time.Date(2026, 11, 24, hour, 0, 0, 0, time.UTC) }
	for _, h := range []Heard{
		{At: at(3), Receiver: "Q9XYZ", ReceiverLocator: "FN42AX", Way: Way{6104.629, 296.8}},
		{At: at(3), Receiver: "Q8XYZ", ReceiverLocator: "JN58TD", Way: Way{500, 181}},
		{At: at(9), Receiver: "Q8XYZ", ReceiverLocator: "JN58TD", Way: Way{500, 181}},
		{At: at(1), Receiver: "Q7XYZ", ReceiverLocator: "JO62QN", Way: Way{4.6, 0}},
	} {
		h.Beacon, h.Band = "hilltop-hf", "40m"
		s.Add(h)
	}
	list := s.Result()
	if len(list) != 1 {
		t.Fatalf("%d lines", len(list))
	}
	got := list[0]
	rose := got.Rose
	got.Rose = nil
	want := report.Heard{
		Beacon: "hilltop-hf", Band: "40m", Reports: 3, Receivers: 2, FarthestKm: 6104.6, Farthest: "Q9XYZ in FN42AX",
		Share: number(0.25), First: at(3), Last: at(9),
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	for i, sector := range rose {
		want := report.Sector{Bearing: []int{0, 23, 45, 68, 90, 113, 135, 158, 180, 203, 225, 248, 270, 293, 315, 338}[i], Km: make([]float64, 6)}
		switch i {
		case 8:
			want.Reports, want.Km[0], want.Km[2] = 2, 500, 500
		case 13:
			want.Reports, want.Km[0] = 1, 6104.6
		}
		if diff := cmp.Diff(want, sector); diff != "" {
			t.Errorf("direction %d: %s", i, diff)
		}
	}
}

func TestABeaconIsUnheardOnlyWhileOthersAreHeard(t *testing.T) {
	for _, c := range []struct {
		sent, heard, others int64
		want                bool
	}{{80, 0, 10, true}, {79, 0, 100, false}, {80, 1, 100, false}, {500, 0, 9, false}, {0, 0, 0, false}} {
		if got := Unheard(c.sent, c.heard, c.others); got != c.want {
			t.Errorf("sent %d, heard %d, others %d: %v", c.sent, c.heard, c.others, got)
		}
	}
}

// A beacon is 200 ppb low. Twelve receivers report, each off by some amount of its
// own; one of them is far off, and reports more than all others together.
func TestACorrectionIsTheMedianOverReceivers(t *testing.T) {
	const planned = 10_000_000_000 // 10 MHz, so that 10 mHz are 1 ppb
	reports := func(receivers, each int) (list []Heard) {
		for r := range receivers {
			offset := int64(-2000 + (r-receivers/2)*10)
			n := each
			if r == receivers-1 {
				offset, n = 50_000, each*20
			}
			for range n {
				list = append(list, Heard{Beacon: "hilltop-hf", Band: "30m", Receiver: fmt.Sprint("Q", r), OffsetMillihertz: offset, PlannedMillihertz: planned})
			}
		}
		return list
	}
	got := Correct(reports(13, 4))
	if !got.Enough || got.Receivers != 13 || got.Reports != 128 || got.MedianPPB != -200 || got.SpreadPPB != 6 {
		t.Errorf("the correction is %+v", got)
	}
	if c := Correct(reports(9, 20)); c.Enough || c.MedianPPB != 0 {
		t.Errorf("nine receivers are enough: %+v", c)
	}
	if c := Correct(reports(24, 1)[:24]); c.Enough {
		t.Errorf("24 reports are enough: %+v", c)
	}
	if c := Correct(nil); c.Enough {
		t.Error("no reports are enough")
	}
}

// A quote that breaks the first field of a line once brought the reader down.
func TestABrokenQuoteEndsTheFile(t *testing.T) {
	good := "2026-11-24T09:16:00Z,Q1ABC,7040100,-21,0,Q9XYZ,FN42\n"
	for _, broken := range []string{`0"`, `"0`, `"0" 1`, `2026-11-24T09:16:00Z,Q1"ABC`} {
		read, refused, err := ReadCSV([]byte(header+good+broken+"\n"+good), rules)
		if err != nil || len(read) != 1 || len(refused) != 1 || refused[0].Line != 3 || !strings.Contains(refused[0].Sentence, "CSV") {
			t.Errorf("%s: read %v, refused %v, %v", broken, read, refused, err)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add(header + `0"` + "\n")
	f.Add(header + "2026-11-24T09:16:00Z,Q1ABC,7040100,-21,0,Q9XYZ,FN42\n")
	f.Add("<EOH><CALL:5>Q1ABC<QSO_DATE:8>20261124<TIME_ON:4>0916<FREQ:6>7.0401<STATION_CALLSIGN:5>Q9XYZ<MY_GRIDSQUARE:4>FN42<EOR>")
	f.Fuzz(func(t *testing.T, text string) {
		for _, form := range Forms() {
			read, _, err := Read(form, []byte(text), rules)
			if err != nil && len(read) > 0 {
				t.Error("a file that can't be read has reports")
			}
			for _, r := range read {
				if r.Callsign == "" || r.Receiver == "" || r.Band == "" || r.Millihertz <= 0 || r.ReceiverLocator.Len() < 4 {
					t.Errorf("%+v is believed", r)
				}
			}
		}
	})
}
