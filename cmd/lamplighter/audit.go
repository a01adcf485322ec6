package main

import (
	"context"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// auditCmd is about who did what.
type auditCmd struct {
	List   auditListCmd   `cmd:"" help:"Say who did what, the latest first."`
	Verify auditVerifyCmd `cmd:"" help:"Check that nobody has changed what is written there."`
}

// Help is shown by --help.
func (auditCmd) Help() string {
	return `Example:

    lamplighter audit list --action hush`
}

type auditListCmd struct {
	serverFlag
	outputFlag
	Person  string   `placeholder:"NAME" help:"Only by this person."`
	Action  string   `placeholder:"WORD" help:"Only actions whose name holds this, such as hush."`
	Site    string   `placeholder:"SITE" help:"Only at this site."`
	Outcome string   `placeholder:"WORD" help:"Only asked, done, refused or failed."`
	Text    string   `placeholder:"TEXT" help:"Only where the details hold this."`
	Since   *instant `placeholder:"TIME" help:"From then on."`
	Until   *instant `placeholder:"TIME" help:"Before then."`
	Before  int64    `placeholder:"NUMBER" help:"Only entries below this number, to go on where a list ended."`
	Most    int32    `default:"100" placeholder:"N" help:"How many at most, up to 1000 (default ${default})."`
}

// Help is shown by --help.
func (auditListCmd) Help() string {
	return `Every change and every order has two entries: asked, before it was done, with what was asked; and then done or failed, with what came of it and how it was before. The details are in --output json and csv.

Examples:

    lamplighter audit list --action hush --since 2026-12-01T00:00:00Z
    lamplighter audit list --person kim --output json`
}

// auditResult is one entry as it is shown.
type auditResult struct {
	Number  int64   `json:"number"`
	At      *string `json:"at"`
	Person  string  `json:"person"`
	From    string  `json:"from"`
	Via     string  `json:"via"`
	Action  string  `json:"action"`
	Site    string  `json:"site"`
	Outcome string  `json:"outcome"`
	Details string  `json:"details"`
	Digest  string  `json:"digest"`
}

// Run lists them.
func (c *auditListCmd) Run(e *environment) error {
	request := &apiv1.ListEntriesRequest{
		Person: c.Person, Action: c.Action, Site: c.Site, Outcome: c.Outcome, Text: c.Text, Before: c.Before, Most: c.Most,
	}
	if c.Since != nil {
		request.Since = timestamppb.New(c.Since.Time)
	}
	if c.Until != nil {
		request.Until = timestamppb.New(c.Until.Time)
	}
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewAuditServiceClient(conn).ListEntries(ctx, request)
		if err != nil {
			return err
		}
		results, t := []auditResult{}, table{columns: []string{"number", "at", "person", "from", "via", "action", "site", "outcome"}}
		if c.Output == "csv" {
			t.columns = append(t.columns, "details", "digest")
		}
		for _, a := range answer.GetEntries() {
			r := auditResult{
				a.GetNumber(), timePointer(a.GetAt()), a.GetPerson(), a.GetFrom(), a.GetVia(), a.GetAction(), a.GetSite(),
				a.GetOutcome(), a.GetDetails(), hex.EncodeToString(a.GetDigest()),
			}
			results = append(results, r)
			row := []string{strconv.FormatInt(r.Number, 10), show(r.At), r.Person, r.From, r.Via, r.Action, r.Site, r.Outcome, r.Details, r.Digest}
			t.rows = append(t.rows, row[:len(t.columns)])
		}
		return c.write(e.stdout, t, results)
	})
}

type auditVerifyCmd struct {
	serverFlag
	Noted string `placeholder:"NUMBER:DIGEST" help:"What an earlier check printed: it must still be there."`
}

// Help is shown by --help.
func (auditVerifyCmd) Help() string {
	return `Each entry holds the digest of the one before it, so that a change anywhere shows. Prints the number and digest of the last entry: note them somewhere else, and give them to a later check, which then also finds out if the end was cut off or all was written anew. The exit code is 0 only if all is in order.

Example:

    lamplighter audit verify --noted 1841:5f2c9a...`
}

// Run checks.
func (c *auditVerifyCmd) Run(e *environment) error {
	request := &apiv1.VerifyTrailRequest{}
	if c.Noted != "" {
		number, digest, _ := strings.Cut(c.Noted, ":")
		var err, bad error
		request.NotedNumber, err = strconv.ParseInt(number, 10, 64)
		if request.NotedDigest, bad = hex.DecodeString(digest); err != nil || bad != nil {
			return fault.New(fault.Usage, "--noted", "write what an earlier check printed, NUMBER:DIGEST")
		}
	}
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewAuditServiceClient(conn).VerifyTrail(ctx, request)
		if err != nil {
			return err
		}
		if _, err := fmt.Fprintf(e.stdout, "%d:%x\n", answer.GetEntries(), answer.GetHead()); err != nil {
			return err
		}
		if reason := answer.GetReason(); reason != "" {
			e.note("After entry %d the trail is not in order: %s. Somebody has changed the database by hand, or an older copy was restored.", answer.GetEntries(), reason)
			return errTold
		}
		return nil
	})
}
