package main

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/heard"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// heardCmd is about what receivers report.
type heardCmd struct {
	Import      heardImportCmd      `cmd:"" help:"Take in reception reports from a file."`
	Unmatched   heardUnmatchedCmd   `cmd:"" help:"List reports that match no transmission of ours, with the reason."`
	Corrections heardCorrectionsCmd `cmd:"" help:"Propose corrections of the beacons' frequencies. None is applied."`
}

// Help is shown by --help.
func (heardCmd) Help() string {
	return `Receivers report what they heard: by file, or by a program of theirs that brings CSV or ADIF with POST to /receptions. What matches a transmission of ours stands in the report (lamplighter report) under "Who heard us".

Examples:

    lamplighter heard import receptions.csv
    lamplighter heard unmatched`
}

// heardImportCmd takes in a file.
type heardImportCmd struct {
	File string `arg:"" help:"A file of reports, CSV or ADIF."`
	Form string `enum:"auto,csv,adif" default:"auto" placeholder:"FORM" help:"csv or adif (default: by the file's name, .adi and .adif are ADIF)."`
	serverFlag
}

// Help is shown by --help.
func (heardImportCmd) Help() string {
	return `A report that is here already changes nothing, so a file may be given again. What matches no transmission in slot, band and call sign is kept apart.

CSV needs a header; the order of columns is free, snr_db and drift_hz may be missing, other columns are left unread:

    ` + strings.Join(heard.Columns(), ",") + `
    2026-11-24T09:16:00Z,Q1ABC,7040103.2,-21,-1,Q9XYZ,FN42AX

Of ADIF count CALL (the station heard), STATION_CALLSIGN or OPERATOR and MY_GRIDSQUARE (the receiver), QSO_DATE, TIME_ON, FREQ and RST_RCVD.

Examples:

    lamplighter heard import receptions.csv
    lamplighter heard import log.adi`
}

// Run sends the file and says what became of it.
func (c *heardImportCmd) Run(e *environment) error {
	file, err := readFile(c.File, heard.MaxBytes)
	if err != nil {
		return err
	}
	form := c.Form
	if form == "auto" {
		form = "csv"
		if ending := strings.ToLower(filepath.Ext(c.File)); ending == ".adi" || ending == ".adif" {
			form = "adif"
		}
	}
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		told, err := apiv1.NewHeardServiceClient(conn).AddReceptions(ctx, &apiv1.AddReceptionsRequest{File: file, Form: form})
		if err != nil {
			return err
		}
		for _, refused := range told.GetRefused() {
			e.note("%s:%d: %s", c.File, refused.GetLine(), refused.GetSentence())
		}
		_, err = fmt.Fprintf(e.stdout, "%d matched, %d match no transmission of ours, %d were here already, %d could not be read\n",
			told.GetMatched(), told.GetUnmatched(), told.GetKnown(), told.GetRefusedCount())
		if err == nil && told.GetRefusedCount() > 0 {
			return fault.New(fault.Invalid, "", "%d of the reports could not be read", told.GetRefusedCount())
		}
		return err
	})
}

// spanFlag is a time, by default the last days.
type spanFlag struct {
	From instant `placeholder:"TIME" help:"From this time (default: 28 days ago)."`
	To   instant `placeholder:"TIME" help:"To this time, exclusive (default: now)."`
}

func (s spanFlag) span() (from, to *timestamppb.Timestamp) {
	const usualDays = 28
	if s.To.IsZero() {
		s.To.Time = time.Now()
	}
	if s.From.IsZero() {
		s.From.Time = s.To.AddDate(0, 0, -usualDays)
	}
	return timestamppb.New(s.From.Time), timestamppb.New(s.To.Time)
}

// heardUnmatchedCmd lists what matches nothing.
type heardUnmatchedCmd struct {
	spanFlag
	serverFlag
	outputFlag
}

// Help is shown by --help.
func (heardUnmatchedCmd) Help() string {
	return `The reasons:

    unknown_callsign  no beacon of ours has the call sign
    not_ordered       we were not to transmit in the slot
    other_band        we were on another band in the slot
    not_sent          it was ordered, and the beacon says it was silent
    waiting           the beacon has not said yet how the slot ended

A single report of a call sign of ours is doubtful, and only kept here. Two
independent receivers within 5 Hz in one slot, or reports in two slots in a row,
raise the alert off_plan.

Examples:

    lamplighter heard unmatched
    lamplighter heard unmatched --from 2026-11-01T00:00:00Z --output csv`
}

// Run asks and prints.
func (c *heardUnmatchedCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		from, to := c.span()
		told, err := apiv1.NewHeardServiceClient(conn).ListUnmatched(ctx, &apiv1.ListUnmatchedRequest{From: from, To: to})
		if err != nil {
			return err
		}
		rows := table{columns: []string{"slot_start", "callsign", "band", "frequency_hz", "receiver", "receiver_locator", "reason"}}
		objects := []map[string]any{}
		for _, r := range told.GetReceptions() {
			start := r.GetStart().AsTime().Format(time.RFC3339)
			rows.rows = append(rows.rows, []string{start, r.GetCallsign(), r.GetBand(), decimal(r.GetFrequencyHz(), 1), r.GetReceiver(), r.GetReceiverLocator(), r.GetReason()})
			objects = append(objects, map[string]any{
				"slot_start": start, "callsign": r.GetCallsign(), "band": r.GetBand(), "frequency_hz": r.GetFrequencyHz(),
				"receiver": r.GetReceiver(), "receiver_locator": r.GetReceiverLocator(), "reason": r.GetReason(),
			})
		}
		return c.write(e.stdout, rows, objects)
	})
}

// heardCorrectionsCmd proposes corrections.
type heardCorrectionsCmd struct {
	spanFlag
	serverFlag
	outputFlag
}

// Help is shown by --help.
func (heardCorrectionsCmd) Help() string {
	return `By how much each beacon is off on each band as receivers report it: reported minus planned frequency, the median over receivers (each counts once), in parts per billion, with the distance between the quartiles. It takes 50 reports from 10 receivers. Nothing is applied: a person decides.

Examples:

    lamplighter heard corrections
    lamplighter heard corrections --from 2026-10-01T00:00:00Z --output json`
}

// Run asks and prints.
func (c *heardCorrectionsCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		from, to := c.span()
		told, err := apiv1.NewHeardServiceClient(conn).ProposeCorrections(ctx, &apiv1.ProposeCorrectionsRequest{From: from, To: to})
		if err != nil {
			return err
		}
		rows := table{columns: []string{"beacon", "band", "median_ppb", "spread_ppb", "receivers", "reports"}}
		objects := []map[string]any{}
		for _, r := range told.GetCorrections() {
			median, spread := "", ""
			if r.MedianPpb != nil && r.SpreadPpb != nil {
				median, spread = decimal(r.GetMedianPpb(), 1), decimal(r.GetSpreadPpb(), 1)
			}
			rows.rows = append(rows.rows, []string{r.GetBeacon(), r.GetBand(), median, spread, fmt.Sprint(r.GetReceivers()), fmt.Sprint(r.GetReports())})
			objects = append(objects, map[string]any{
				"beacon": r.GetBeacon(), "band": r.GetBand(), "median_ppb": r.MedianPpb, "spread_ppb": r.SpreadPpb,
				"receivers": r.GetReceivers(), "reports": r.GetReports(),
			})
		}
		return c.write(e.stdout, rows, objects)
	})
}
