package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"lamplighter/agent/enrol"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/band"
	"lamplighter/proto/onair/exposure"
)

type exposureCommand struct {
	configFlag
	GainDBi     float64 `required:"" name:"gain-dbi" placeholder:"DBI" help:"Gain of the antenna in its strongest direction; a half-wave dipole has 2.15."`
	DutyPercent float64 `default:"100" name:"duty-percent" help:"Of the time that the transmitter is keyed, at most."`
}

// Help is shown by --help.
func (exposureCommand) Help() string {
	return `For each band of the licence, with its largest power: the distance from the antenna beyond which the far field, raised by a typical ground, is below the limits of OET Bulletin 65 (1997) for people who do not know and for those who do. An estimate, not a measurement and no legal advice: close to an antenna the field may be stronger, and the licence and local rules come first.`
}

// Run computes and prints.
func (c exposureCommand) Run(s streams) error {
	file, err := c.read()
	if err != nil {
		return err
	}
	_, envelope, err := enrol.Envelope(file)
	if err != nil {
		return fmt.Errorf("%s: %w", c.Config, err)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%-6s %8s %14s %14s\n", "band", "watts", "others_metres", "own_metres")
	for _, of := range envelope.GetBands() {
		if err := c.describe(&b, of); err != nil {
			return err
		}
	}
	_, err = io.WriteString(s.out, b.String())
	return err
}

func (c exposureCommand) describe(b *strings.Builder, of *wirev1.EnvelopeBand) error {
	mhz, err := megahertz(of)
	if err != nil {
		return err
	}
	station := exposure.Station{
		Watts: math.Pow(10, float64(of.GetMaxPowerDbm()-30)/10), GainDBi: c.GainDBi, MHz: mhz,
		DutyPercent: c.DutyPercent, Reflection: exposure.TypicalReflection,
	}
	others, err := station.Distance(exposure.Uncontrolled)
	if err != nil {
		return fmt.Errorf("%s: %w", of.GetBand(), err)
	}
	own, err := station.Distance(exposure.Controlled)
	if err != nil {
		return fmt.Errorf("%s: %w", of.GetBand(), err)
	}
	fmt.Fprintf(b, "%-6s %8.2f %14.1f %14.1f\n", of.GetBand(), station.Watts, others, own)
	return nil
}

// megahertz is the highest frequency of a band's segments, where the limit is
// lowest, or the one that everybody knows.
func megahertz(of *wirev1.EnvelopeBand) (float64, error) {
	var highest int64
	for _, segment := range of.GetSegments() {
		highest = max(highest, segment.GetToHz())
	}
	if highest > 0 {
		return float64(highest) / 1e6, nil
	}
	known, ok := band.Standard().Lookup(of.GetBand())
	if !ok {
		return 0, fmt.Errorf("%s: the licence states no segment, and this program does not know the band", of.GetBand())
	}
	return float64(known.DialHz) / 1e6, nil
}
