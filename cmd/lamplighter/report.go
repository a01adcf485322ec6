package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// reportCmd writes a report or a log of a period.
type reportCmd struct {
	Week   string  `placeholder:"WEEK" help:"An ISO week in the network's time zone, such as 2026-W48 (default: the last one that is over)."`
	From   instant `placeholder:"TIME" help:"Instead of a week: from this time, such as 2026-11-01T00:00:00Z."`
	To     instant `placeholder:"TIME" help:"To this time, exclusive."`
	Site   string  `help:"Only this site."`
	Beacon string  `help:"Only this beacon."`
	Format string  `enum:"html,pdf,markdown,csv,json,log-csv,log-adif,calendar" default:"markdown" placeholder:"FORM" help:"${enum} (default ${default})."`
	Out    string  `short:"o" type:"path" placeholder:"FILE" help:"Write to this file, not to standard output."`
	serverFlag
}

// Help is shown by --help.
func (reportCmd) Help() string {
	return `What happened: uptime, transmissions, clocks, faults, fairness, who heard us, beside the period before.

    html      a page that needs nothing else, for screen and paper
    pdf       A4, for the notice board
    markdown  text, for a newsletter or a terminal
    csv       a line for the network, for each site and for each beacon
    json      all figures, as lamplighter/report/1
    log-csv   the station log: a line for each transmission
    log-adif  the station log in ADIF 3.1
    calendar  the transmissions of the coming week, as iCalendar

Examples:

    lamplighter report
    lamplighter report --week 2026-W48 --format pdf -o week.pdf
    lamplighter report --from 2026-11-01T00:00:00Z --to 2026-12-01T00:00:00Z --site hilltop --format csv
    lamplighter report --week 2026-W48 --format log-adif --beacon hilltop-hf -o log.adi
    lamplighter report --format calendar --beacon hilltop-hf -o hilltop-hf.ics`
}

// Run asks for the file and writes it.
func (c *reportCmd) Run(e *environment) error {
	format, ok := apiv1.ReportFormat_value["REPORT_FORMAT_"+strings.ToUpper(strings.ReplaceAll(c.Format, "-", "_"))]
	if !ok {
		return fault.New(fault.Usage, "--format", "there is no form %q", c.Format)
	}
	request := &apiv1.GetReportRequest{Format: apiv1.ReportFormat(format), Week: c.Week, Site: c.Site, Beacon: c.Beacon}
	if !c.From.IsZero() {
		request.From = timestamppb.New(c.From.Time)
	}
	if !c.To.IsZero() {
		request.To = timestamppb.New(c.To.Time)
	}
	return c.callFor(e, workWithin, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		stream, err := apiv1.NewReportServiceClient(conn).GetReport(ctx, request)
		if err != nil {
			return err
		}
		file, err := c.receive(e, stream)
		if err != nil {
			return err
		}
		return writeFile(e.stdout, c.Out, 0o644, file)
	})
}

// receive puts the pieces of the file together, and shows how far it is.
func (c *reportCmd) receive(e *environment, stream grpc.ServerStreamingClient[apiv1.GetReportResponse]) (file []byte, err error) {
	bar := onTerminal(e.stderr)
	if bar {
		defer fmt.Fprint(e.stderr, "\r\033[K")
	}
	for {
		part, err := stream.Recv()
		switch {
		case errors.Is(err, io.EOF):
			return file, nil
		case err != nil:
			return nil, err
		}
		if file = append(file, part.GetPiece()...); bar && len(part.GetPiece()) == 0 {
			const width = 30
			done := int(min(1, max(0, part.GetProgress())) * width)
			fmt.Fprintf(e.stderr, "\r[%s%s] %3.0f %%", strings.Repeat("#", done), strings.Repeat("-", width-done), part.GetProgress()*100)
		}
	}
}
