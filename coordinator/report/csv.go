package report

import (
	"encoding/csv"
	"encoding/json"
	"io"
	"strconv"
	"time"
)

// Columns are the columns of the report as CSV: one line for the network, one
// for each site and one for each beacon. An empty cell is not known. Times are
// RFC 3339 in UTC, shares from 0 to 1, all else in the unit of the name.
func Columns() []string {
	return []string{
		"of", "site", "beacon", "callsign", "from", "to", "minutes", "minutes_heard", "minutes_ready", "minutes_locked", "minutes_holdover",
		"uptime", "readiness", "ordered", "sent", "skipped", "aborted", "unreported", "open", "withdrawn", "unordered", "airtime_seconds",
		"clock_error_median_seconds", "clock_error_p95_seconds", "clock_error_p99_seconds", "clock_error_worst_seconds", "clock_error_worst_at",
		"frequency_error_median_ppb", "frequency_error_worst_ppb", "gps_outages", "gps_outage_minutes", "wanted", "jain", "records_missing",
	}
}

// CSV writes the figures as a table with the Columns.
func (r *Report) CSV(w io.Writer) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true // RFC 4180
	rows := [][]string{Columns(), r.row("network", "", "", "", r.Figures)}
	for _, s := range r.Sites {
		rows = append(rows, r.row("site", s.Site, "", "", s.Figures))
	}
	for _, b := range r.Beacons {
		rows = append(rows, r.row("beacon", b.Site, b.Beacon, b.Callsign, b.Figures))
	}
	return out.WriteAll(rows)
}

func (r *Report) row(of, site, beacon, callsign string, f Figures) []string {
	whole := func(n int64) string { return strconv.FormatInt(n, 10) }
	real := func(v *float64) string {
		if v == nil {
			return ""
		}
		return strconv.FormatFloat(*v, 'g', -1, 64)
	}
	row := []string{
		of, site, beacon, callsign, r.From.Format(time.RFC3339), r.To.Format(time.RFC3339), whole(int64(f.Minutes)), whole(int64(f.Heard)),
		whole(int64(f.Ready)), whole(int64(f.Locked)), whole(int64(f.Holdover)), real(f.Uptime), real(f.Readiness), whole(f.Ordered),
		whole(f.Sent), whole(f.Skipped), whole(f.Aborted), whole(f.Unreported), whole(f.Open), whole(f.Withdrawn), whole(f.Unordered),
		real(&f.Airtime),
	}
	if c := f.Clock; c != nil && f.WorstAt != nil {
		row = append(row, real(&c.Median), real(&c.P95), real(&c.P99), real(&c.Worst), f.WorstAt.Format(time.RFC3339Nano))
	} else {
		row = append(row, "", "", "", "", "")
	}
	if c := f.Frequency; c != nil {
		row = append(row, real(&c.Median), real(&c.Worst))
	} else {
		row = append(row, "", "")
	}
	return append(row, whole(int64(f.OutageCount)), whole(int64(f.OutageMinutes)), whole(f.Wanted), real(f.Jain), whole(f.Missing))
}

// JSON writes the whole report in the form that Schema names.
func (r *Report) JSON(w io.Writer) error {
	out := json.NewEncoder(w)
	out.SetIndent("", "  ")
	out.SetEscapeHTML(false)
	return out.Encode(r)
}
