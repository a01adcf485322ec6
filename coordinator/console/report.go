package console

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"strings"
	"time"

	"google.golang.org/grpc"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/report"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// pieceWithin is how long a piece of a report may be on its way to the browser; a
// whole one may be longer under way than a page.
const pieceWithin = 30 * time.Second

// largestReport bounds the figures of a week that are shown as a page.
const largestReport = 64 << 20

// reportPage is the report of a week, in figures.
type reportPage struct {
	Report  *report.Report // nil: there is none to show
	Earlier string         // the week before
	Later   string         // the week after, if it has begun
	Week    string         // as it was asked for
	Scopes  []choice
	Scope   string
	Forms   []reportForm
	Trouble *trouble
}

// reportForm is a form that a report can be had in.
type reportForm struct {
	Key, Words, Extension string
	Format                apiv1.ReportFormat
	MediaType             string
}

var forms = []reportForm{
	{"html", "a web page, complete in itself (HTML)", "html", apiv1.ReportFormat_REPORT_FORMAT_HTML, "text/html; charset=utf-8"},
	{"pdf", "A4, to print (PDF)", "pdf", apiv1.ReportFormat_REPORT_FORMAT_PDF, "application/pdf"},
	{"markdown", "text for a newsletter (Markdown)", "md", apiv1.ReportFormat_REPORT_FORMAT_MARKDOWN, "text/markdown; charset=utf-8"},
	{"csv", "a table (CSV)", "csv", apiv1.ReportFormat_REPORT_FORMAT_CSV, "text/csv; charset=utf-8"},
	{"json", "all figures (JSON)", "json", apiv1.ReportFormat_REPORT_FORMAT_JSON, "application/json"},
	{"log-csv", "the station log as a table (CSV)", "log.csv", apiv1.ReportFormat_REPORT_FORMAT_LOG_CSV, "text/csv; charset=utf-8"},
	{"log-adif", "the station log for log programs (ADIF)", "adi", apiv1.ReportFormat_REPORT_FORMAT_LOG_ADIF, "text/plain; charset=utf-8"},
}

func (c *Console) showReport(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		return errNoNetwork
	}
	page := reportPage{Week: strings.TrimSpace(r.FormValue("week")), Scope: r.FormValue("scope"), Forms: forms}
	for _, s := range n.choices() {
		if !strings.HasPrefix(s.Value, "band:") {
			page.Scopes = append(page.Scopes, s)
		}
	}
	status := http.StatusOK
	page.Report, err = c.figures(r.Context(), page.Week, page.Scope)
	allowTime(w)
	if err != nil {
		if page.Trouble, err = c.formTrouble(err); err != nil {
			return err
		}
		status = page.Trouble.Status
	} else if shown, err := report.ParseWeek(page.Report.Week, time.UTC); err == nil {
		page.Week, page.Earlier = shown.Week, shown.Before().Week
		if later := report.WeekAt(shown.To.Add(time.Hour), time.UTC); later.From.Before(c.options.Now()) {
			page.Later = later.Week
		}
	}
	c.render(w, r, status, "report", frame{Title: "Report", Tab: "/report", Body: page})
	return nil
}

// askReport asks for the report of a week and a scope, as forms write them.
func (c *Console) askReport(ctx context.Context, format apiv1.ReportFormat, week, of string) (grpc.ServerStreamingClient[apiv1.GetReportResponse], error) {
	scope, err := scopeOf(of)
	if err != nil {
		return nil, err
	}
	return c.reports.GetReport(ctx, &apiv1.GetReportRequest{Format: format, Week: strings.TrimSpace(week), Site: scope.GetSite(), Beacon: scope.GetBeacon()})
}

// figures are those of a report.
func (c *Console) figures(ctx context.Context, week, scope string) (*report.Report, error) {
	stream, err := c.askReport(ctx, apiv1.ReportFormat_REPORT_FORMAT_JSON, week, scope)
	if err != nil {
		return nil, err
	}
	var text []byte
	for {
		piece, err := nextPiece(stream)
		if errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, err
		}
		if text = append(text, piece...); len(text) > largestReport {
			return nil, fault.New(fault.Refused, "", "the report is too large for a page: ask for a site or a beacon")
		}
	}
	made := &report.Report{}
	return made, json.Unmarshal(text, made)
}

// nextPiece is the next piece of the file; io.EOF: it is whole.
func nextPiece(stream grpc.ServerStreamingClient[apiv1.GetReportResponse]) ([]byte, error) {
	for {
		part, err := stream.Recv()
		if err != nil || len(part.GetPiece()) > 0 {
			return part.GetPiece(), err
		}
	}
}

// allowTime gives the next piece of an answer its time.
func allowTime(w http.ResponseWriter) {
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(pieceWithin)) // what can't be sent in time fails as it is sent
}

// serveReport gives the report as a file.
func (c *Console) serveReport(w http.ResponseWriter, r *http.Request) error {
	for _, f := range forms {
		if f.Key == r.FormValue("form") {
			return c.sendFile(w, r, f)
		}
	}
	return fault.New(fault.Invalid, "form", "say in which form it is wanted")
}

func (c *Console) sendFile(w http.ResponseWriter, r *http.Request, f reportForm) error {
	stream, err := c.askReport(r.Context(), f.Format, r.FormValue("week"), r.FormValue("scope"))
	if err != nil {
		return err
	}
	// Whatever refuses a report does so before its first piece.
	piece, err := nextPiece(stream)
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	name := "report " + strings.TrimSpace(strings.ReplaceAll(r.FormValue("week")+" "+r.FormValue("scope"), ":", " "))
	w.Header().Set("Content-Type", f.MediaType)
	w.Header().Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": strings.ReplaceAll(strings.TrimSpace(name), " ", "-") + "." + f.Extension}))
	for err == nil {
		allowTime(w)
		if _, err := w.Write(piece); err != nil {
			return nil // the asker is gone
		}
		piece, err = nextPiece(stream)
	}
	if !errors.Is(err, io.EOF) {
		c.options.Log.ErrorContext(r.Context(), "a report ended early", "form", f.Key, "error", err)
		panic(http.ErrAbortHandler) // so that nobody takes it for whole
	}
	return nil
}
