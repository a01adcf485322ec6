package main

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/onair/band"
)

// whoCmd says which beacons were on the air near a time and frequency.
type whoCmd struct {
	At     instant       `required:"" placeholder:"TIME" help:"When, such as 2026-11-24T09:15:00Z."`
	Freq   frequency     `required:"" placeholder:"HZ" help:"On which frequency, in hertz, or with a unit: 7040.1kHz, 14.0971MHz."`
	Within time.Duration `default:"60s" help:"How far from the time a transmission may lie (default ${default})."`
	Near   frequency     `default:"100Hz" placeholder:"HZ" help:"How far from the frequency (default ${default})."`
	Signed bool          `help:"Print the page with its signature below, to hand on."`
	Output string        `enum:"text,json" default:"text" placeholder:"FORM" help:"text for people, json for programs."`
	serverFlag
}

// Help is shown by --help.
func (whoCmd) Help() string {
	return `Answers a complaint: which beacons were planned, permitted and really keyed there and then, where, with what power and under whose control. Where none was, it says so, and which beacons have not reported on that time yet.

With --signed the page ends with a signature by the key that orders are signed with, over "lamplighter seal 1", "page", the network's id, nothing, and the page, each followed by a zero byte but the last.

Examples:

    lamplighter who --at 2026-11-24T09:15:00Z --freq 7040.1kHz
    lamplighter who --at 2026-11-24T09:15:00Z --freq 14.0971MHz --within 10m --near 1kHz --signed`
}

// frequency is a number of hertz, written with or without a unit.
type frequency float64

// UnmarshalText reads 7040100, 7040.1kHz or 14.0971MHz.
func (f *frequency) UnmarshalText(text []byte) error {
	hertz, err := band.ParseHertz(string(text))
	if err != nil {
		return err
	}
	*f = frequency(hertz)
	return nil
}

// Run asks and prints.
func (c *whoCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewReportServiceClient(conn).Who(ctx, &apiv1.WhoRequest{
			At: timestamppb.New(c.At.Time), FrequencyHz: float64(c.Freq), WithinSeconds: c.Within.Seconds(), NearHz: float64(c.Near),
		})
		if err != nil {
			return err
		}
		if c.Output == "json" {
			text, err := protojson.MarshalOptions{Multiline: true, UseProtoNames: true}.Marshal(answer)
			if err == nil {
				_, err = fmt.Fprintf(e.stdout, "%s\n", text)
			}
			return err
		}
		page := answer.GetPage()
		if c.Signed {
			page += fmt.Sprintf("\nsignature (Ed25519) %s\nkey %s\n", answer.GetSignature(), answer.GetPublicKey())
		}
		_, err = fmt.Fprint(e.stdout, page)
		return err
	})
}
