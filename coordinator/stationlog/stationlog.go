package stationlog

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// Transmission is something that was on the air.
type Transmission struct {
	Site, Beacon      string
	Callsign, Locator string
	Band              string
	Millihertz        int64 // of the middle of the signal
	PowerDBm          int
	Message           string // full, extended
	Control           string // local, remote, automatic
	Start             time.Time
	Keyed, Unkeyed    *time.Time // nil: not known
	Ending            string     // sent, aborted
	Reason            string
	ClockErrorNs      *int64
	Symbols           int
}

// Columns are those of the log as CSV. Times are RFC 3339 in UTC; an empty cell
// is not known.
func Columns() []string {
	return []string{
		"slot_start", "site", "beacon", "callsign", "locator", "band", "frequency_hz", "power_dbm", "message", "control",
		"keyed_at", "unkeyed_at", "ended_as", "reason", "symbols", "clock_error_bound_seconds",
	}
}

// Writer writes transmissions one after the other. Close ends the log.
type Writer interface {
	Write(Transmission) error
	Close() error
}

// NewCSV begins a log as CSV.
func NewCSV(w io.Writer) (Writer, error) {
	out := csv.NewWriter(w)
	out.UseCRLF = true // RFC 4180
	return csvWriter{out}, out.Write(Columns())
}

type csvWriter struct{ out *csv.Writer }

func (w csvWriter) Write(t Transmission) error {
	bound := ""
	if t.ClockErrorNs != nil {
		bound = strconv.FormatFloat(float64(*t.ClockErrorNs)/1e9, 'f', -1, 64)
	}
	return w.out.Write([]string{
		t.Start.UTC().Format(time.RFC3339), t.Site, t.Beacon, t.Callsign, t.Locator, t.Band, decimal(t.Millihertz, 3),
		strconv.Itoa(t.PowerDBm), t.Message, t.Control, instant(t.Keyed), instant(t.Unkeyed), t.Ending, t.Reason,
		strconv.Itoa(t.Symbols), bound,
	})
}

func (w csvWriter) Close() error {
	w.out.Flush()
	return w.out.Error()
}

func instant(t *time.Time) string {
	if t == nil {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05.000Z")
}

// decimal writes an amount of which so many digits are behind the point, with no
// zeros that say nothing.
func decimal(v int64, digits int) string {
	text := fmt.Sprintf("%0*d", digits+1, v)
	whole, rest := text[:len(text)-digits], strings.TrimRight(text[len(text)-digits:], "0")
	if rest == "" {
		return whole
	}
	return whole + "." + rest
}

// NewADIF begins a log in ADIF, made at a time by a version of this program.
func NewADIF(w io.Writer, network, version string, made time.Time) (Writer, error) {
	a := adifWriter{w}
	err := a.line("Transmissions of the beacons of "+oneLine(network)+"\n", [][2]string{
		{"ADIF_VER", "3.1.6"},
		{"CREATED_TIMESTAMP", made.UTC().Format("20060102 150405")},
		{"PROGRAMID", "LAMPLIGHTER"},
		{"PROGRAMVERSION", oneLine(version)},
	}, "<EOH>\n")
	return a, err
}

type adifWriter struct{ out io.Writer }

func (a adifWriter) Write(t Transmission) error {
	on := t.Start
	if t.Keyed != nil {
		on = *t.Keyed
	}
	fields := [][2]string{
		{"STATION_CALLSIGN", t.Callsign}, {"QSO_DATE", on.UTC().Format("20060102")}, {"TIME_ON", on.UTC().Format("150405")},
	}
	if t.Unkeyed != nil {
		fields = append(fields, [2]string{"QSO_DATE_OFF", t.Unkeyed.UTC().Format("20060102")}, [2]string{"TIME_OFF", t.Unkeyed.UTC().Format("150405")})
	}
	fields = append(fields, [][2]string{
		{"BAND", adifBand(t.Millihertz)},
		{"FREQ", decimal(t.Millihertz, 9)},
		{"MODE", "WSPR"},
		{"TX_PWR", watts(t.PowerDBm)},
		{"MY_GRIDSQUARE", t.Locator},
		{"APP_LAMPLIGHTER_BEACON", t.Beacon},
		{"APP_LAMPLIGHTER_ENDED_AS", t.Ending},
		{"APP_LAMPLIGHTER_REASON", t.Reason},
		{"APP_LAMPLIGHTER_CONTROL", t.Control},
	}...)
	return a.line("", fields, "<EOR>\n")
}

func (a adifWriter) Close() error { return nil }

// line writes fields as <NAME:LENGTH>DATA; empty ones are left out. All text is
// ASCII: lengths are in characters, and readers disagree on bytes.
func (a adifWriter) line(before string, fields [][2]string, end string) error {
	var out strings.Builder
	out.WriteString(before)
	for _, field := range fields {
		if field[1] != "" {
			fmt.Fprintf(&out, "<%s:%d>%s ", field[0], len(field[1]), field[1])
		}
	}
	out.WriteString(end)
	_, err := io.WriteString(a.out, out.String())
	return err
}

// oneLine keeps of a text what ADIF allows: printable ASCII.
func oneLine(text string) string {
	return strings.Map(func(c rune) rune {
		if c < ' ' || c > '~' || c == '<' {
			return '?'
		}
		return c
	}, text)
}

// watts is a power for ADIF, which has watts and no dBm.
func watts(dbm int) string {
	w := math.Pow(10, float64(dbm-30)/10)
	return strconv.FormatFloat(w, 'g', 4, 64)
}

// The bands of ADIF and their edges in kHz: read from the enumeration of bands of
// ADIF 3.0.8 down to 10m, from memory above.
var adifBands = []struct {
	name     string
	from, to float64
}{
	{"2190m", 135.7, 137.8},
	{"630m", 472, 479},
	{"160m", 1800, 2000},
	{"80m", 3500, 4000},
	{"60m", 5060, 5450},
	{"40m", 7000, 7300},
	{"30m", 10100, 10150},
	{"20m", 14000, 14350},
	{"17m", 18068, 18168},
	{"15m", 21000, 21450},
	{"12m", 24890, 24990},
	{"10m", 28000, 29700},
	{"6m", 50000, 54000},
	{"4m", 70000, 71000},
	{"2m", 144000, 148000},
}

// adifBand is the band that ADIF has for a frequency; empty: none.
func adifBand(millihertz int64) string {
	khz := float64(millihertz) / 1e6
	for _, b := range adifBands {
		if khz >= b.from && khz <= b.to {
			return b.name
		}
	}
	return ""
}
