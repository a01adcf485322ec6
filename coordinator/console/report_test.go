package console_test

import (
	"bytes"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/report"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// weekly is the report of an invented week.
func weekly(week, scope string) *report.Report {
	period, _ := report.ParseWeek(week, time.UTC)
	of := report.Figures{
		Minutes: 10080, Heard: 10079, Uptime: proto.Float64(10079.0 / 10080), Readiness: proto.Float64(0.98), Airtime: 36 * 110.6,
		Slots: report.Slots{Ordered: 41, Sent: 36, Skipped: 4, Aborted: 1}, Clock: &report.Spread{P95: 0.0012},
	}
	return &report.Report{
		Schema: report.Schema, Network: "Tern Valley Schools", Scope: scope, Week: week, From: period.From, To: period.To, Zone: "UTC",
		Over: true, MadeAt: began, CompleteTo: period.To, Revision: 2, Figures: of,
		Beacons: []report.Beacon{{Beacon: "mill-a", Site: "mill", Callsign: "Q2ABC", Figures: of}},
		Bands:   []report.Band{{Band: "40m", Slots: of.Slots, Airtime: of.Airtime}},
		Hushes:  []report.Hush{{Scope: "site mill", From: period.From.Add(time.Hour), By: "Kim", Reason: "mast work"}},
		Heard: []report.Heard{{
			Beacon: "mill-a", Band: "40m", Reports: 210, Receivers: 12, FarthestKm: 1830, Farthest: "Q9XYZ",
			Rose: []report.Sector{{Bearing: 45, Reports: 200, Km: []float64{1830, 900, 0, 0, 350, 1200}}, {Bearing: 180, Reports: 10, Km: []float64{0, 0, 200, 210, 0, 0}}},
		}},
	}
}

// GetReport tells how far it is, and sends the file in two pieces.
func (s *stage) GetReport(r *apiv1.GetReportRequest, stream grpc.ServerStreamingServer[apiv1.GetReportResponse]) error {
	week := r.GetWeek()
	if week == "" {
		week = "2026-W48"
	}
	if _, err := report.ParseWeek(week, time.UTC); err != nil {
		return grpcstatus.Error(codes.InvalidArgument, err.Error())
	}
	var file bytes.Buffer
	scope := ""
	if r.GetBeacon() != "" {
		scope = "beacon " + r.GetBeacon()
	}
	made := weekly(week, scope)
	write := map[apiv1.ReportFormat]func() error{
		apiv1.ReportFormat_REPORT_FORMAT_JSON: func() error { return made.JSON(&file) },
		apiv1.ReportFormat_REPORT_FORMAT_HTML: func() error { return made.HTML(&file, time.UTC) },
	}[r.GetFormat()]
	if write == nil {
		return grpcstatus.Error(codes.InvalidArgument, "say in which form it is wanted")
	}
	if err := write(); err != nil {
		return err
	}
	text := file.Bytes()
	parts := []*apiv1.GetReportResponse{
		{Part: &apiv1.GetReportResponse_Progress{Progress: 0.4}},
		{Part: &apiv1.GetReportResponse_Piece{Piece: text[:len(text)/2]}},
		{Part: &apiv1.GetReportResponse_Piece{Piece: text[len(text)/2:]}},
	}
	if r.GetWeek() == "2026-W40" { // it breaks half-way
		parts = parts[:2]
	}
	for _, part := range parts {
		if err := stream.Send(part); err != nil {
			return err
		}
	}
	if len(parts) == 2 {
		return grpcstatus.Error(codes.Internal, "the disk is gone")
	}
	return nil
}

// TestReport reads the last week, goes to the week before, keeps what was
// written where it is refused, and gets a file.
func TestReport(t *testing.T) {
	t.Parallel()
	s, v := enter(t, "viewer", desk, "/report")
	v.says("Week 48 of 2026")
	v.says("36 of 41 ordered transmissions were sent")
	v.says("99.99 %")
	v.says("210 reports by 12 receivers, the farthest Q9XYZ at 1830 km")
	if !strings.Contains(v.text(), "The week after") {
		t.Error("week 49 has begun, and nothing leads to it")
	}
	v.click(`nav[aria-label="Other weeks"] a`)
	v.says("Week 47 of 2026")

	v.goTo("/report?week=2026-W77&scope=beacon:mill-a")
	v.says("The year 2026 has no week 77")
	if !value[bool](v, `document.querySelector("#scope").value === "beacon:mill-a"`) {
		t.Error("what was chosen is lost")
	}

	file, _ := get(t, s.url+"/report/file?form=html&week=2026-W47&scope=beacon:mill-a")
	if !strings.HasPrefix(file, "<!DOCTYPE html>") || !strings.HasSuffix(strings.TrimSpace(file), "</html>") {
		t.Errorf("the file is not whole: %.40q", file)
	}
}

// TestReportFiles says what a file is, refuses what is none, and lets nobody
// take half a file for a whole one.
func TestReportFiles(t *testing.T) {
	t.Parallel()
	s := open(t, valley, "viewer")
	for _, one := range []struct {
		query, disposition string
		status             int
		broken             bool
	}{
		{"form=json&week=2026-W47&scope=site:mill", "attachment; filename=report-2026-W47-site-mill.json", http.StatusOK, false},
		{"form=json&week=2026-W40&scope=", "attachment; filename=report-2026-W40.json", http.StatusOK, true},
		{"form=json&week=2026-W77&scope=", "", http.StatusBadRequest, false},
		{"form=scroll&week=2026-W47&scope=", "", http.StatusBadRequest, false},
	} {
		request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, s.url+"/report/file?"+one.query, nil)
		if err != nil {
			t.Fatal(err)
		}
		answer, err := http.DefaultClient.Do(request)
		if err != nil { // a small file may be cut off before its first byte
			if !one.broken {
				t.Errorf("%s: %v", one.query, err)
			}
			continue
		}
		_, err = new(bytes.Buffer).ReadFrom(answer.Body)
		_ = answer.Body.Close()
		if answer.StatusCode != one.status || answer.Header.Get("Content-Disposition") != one.disposition || one.broken != (err != nil) {
			t.Errorf("%s: status %d, %q, %v", one.query, answer.StatusCode, answer.Header.Get("Content-Disposition"), err)
		}
	}
}
