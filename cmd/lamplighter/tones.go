package main

import (
	"fmt"
	"strings"

	"lamplighter/coordinator/fault"
	"lamplighter/proto/onair/wspr"
)

// tonesCmd prints the symbols of a message.
type tonesCmd struct {
	Callsign string `arg:"" help:"The call sign, such as Q1ABC or QX9/Q1ABC."`
	Locator  string `arg:"" help:"The Maidenhead locator, 4 or 6 characters."`
	DBm      int    `arg:"" name:"dbm" help:"The power in dBm: 0, 3, 7, 10, 13 and so on up to 60."`
}

// Help is shown by --help.
func (tonesCmd) Help() string {
	return `One line for each transmission, 162 symbols from 0 to 3. A plain call sign with a four-character locator takes one transmission. With six characters, and for a call sign with a stroke, it takes two, sent one after the other. What no message can carry is refused, with the reason.

Examples:

    lamplighter tones Q1ABC FN42 37
    lamplighter tones QX9/Q1ABC FN42AX 37`
}

// Run codes and prints.
func (c *tonesCmd) Run(e *environment) error {
	messages, err := wspr.Transmissions(c.Callsign, c.Locator, c.DBm)
	if err != nil {
		return fault.New(fault.Invalid, "", "%w", err)
	}
	for _, message := range messages {
		symbols, err := message.Symbols()
		if err != nil {
			return fault.New(fault.Invalid, "", "%w", err)
		}
		words := make([]string, len(symbols))
		for i, symbol := range symbols {
			words[i] = fmt.Sprint(symbol)
		}
		if _, err := fmt.Fprintln(e.stdout, strings.Join(words, " ")); err != nil {
			return err
		}
	}
	return nil
}
