package heard

import (
	"fmt"
	"math"
	"strings"
	"time"

	"lamplighter/proto/onair/band"
	"lamplighter/proto/onair/locator"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/onair/wspr"
)

// Reception is a report of one receiver on one transmission. Two are the same
// where slot, receiver, band and call sign are.
type Reception struct {
	Slot            slot.Number
	Callsign        string // as heard, without the brackets of a hashed one
	Band            string
	Millihertz      int64    // of the middle of the signal
	SNRdB           *float64 // in 2500 Hz, as is customary; nil: not told
	DriftHz         *float64 // over the transmission; nil: not told
	Receiver        string   // its call sign or name
	ReceiverLocator locator.Locator
}

// Rules are what receptions are checked against.
type Rules struct {
	Length slot.Length
	Bands  *band.Table
	Now    time.Time

	Receiver string // whose reports alone are taken; empty: everybody's
}

// What is believed of a report.
const (
	oldest       = 400 * 24 * time.Hour
	earliest     = 5 * time.Minute // how far ahead a receiver's clock may be
	longestName  = 32
	mostSNR      = 100.0
	mostDrift    = 1000.0
	beyondWindow = 2000 // Hz beside the band's window
)

// fields is a report as it was written, before anything is believed.
type fields struct {
	at                                  time.Time
	callsign, receiver, receiverLocator string
	hertz                               float64
	snr, drift                          *float64
}

// check turns fields into a reception, or says in a sentence what is wrong.
func (r Rules) check(f fields) (Reception, error) {
	var none Reception
	switch {
	case f.at.After(r.Now.Add(earliest)):
		return none, fmt.Errorf("the time %s is still to come", f.at.UTC().Format(time.RFC3339))
	case f.at.Before(r.Now.Add(-oldest)):
		return none, fmt.Errorf("the time %s is more than %d days ago", f.at.UTC().Format(time.RFC3339), int(oldest.Hours()/24))
	}
	callsign := strings.ToUpper(strings.Trim(strings.TrimSpace(f.callsign), "<>"))
	if err := wspr.CheckCallsign(callsign); err != nil {
		return none, fmt.Errorf("the call sign heard: %w", err)
	}
	receiver := strings.ToUpper(strings.TrimSpace(f.receiver))
	if !plainName(receiver) {
		return none, fmt.Errorf("the receiver %.40q is no name: 1 to %d letters, digits, '/', '-' or '_'", f.receiver, longestName)
	}
	if r.Receiver != "" && receiver != r.Receiver {
		return none, fmt.Errorf("it is by %s, and %s brings only its own", receiver, r.Receiver)
	}
	place, err := locator.Parse(strings.TrimSpace(f.receiverLocator))
	if err != nil {
		return none, fmt.Errorf("the receiver's locator: %w", err)
	}
	if !(f.hertz > 0 && f.hertz < 1e12) {
		return none, fmt.Errorf("the frequency %g Hz is none", f.hertz)
	}
	on, ok := bandOf(r.Bands, f.hertz)
	if !ok {
		return none, fmt.Errorf("the frequency %.0f Hz lies in no band that is known here", f.hertz)
	}
	if f.snr != nil && !(math.Abs(*f.snr) <= mostSNR) || f.drift != nil && !(math.Abs(*f.drift) <= mostDrift) {
		return none, fmt.Errorf("a signal-to-noise ratio lies within ±%g dB, and a drift within ±%g Hz", mostSNR, mostDrift)
	}
	return Reception{
		Slot: r.Length.At(f.at), Callsign: callsign, Band: on.Name, Millihertz: int64(math.Round(f.hertz * 1000)),
		SNRdB: f.snr, DriftHz: f.drift, Receiver: receiver, ReceiverLocator: place,
	}, nil
}

// bandOf is the band near whose window a frequency lies.
func bandOf(bands *band.Table, hertz float64) (band.Band, bool) {
	for _, b := range bands.All() {
		low, high := float64(b.DialHz+b.WindowHz[0]-beyondWindow), float64(b.DialHz+b.WindowHz[1]+beyondWindow)
		if hertz >= low && hertz <= high {
			return b, true
		}
	}
	return band.Band{}, false
}

func plainName(text string) bool {
	if text == "" || len(text) > longestName {
		return false
	}
	for _, c := range text {
		if (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '/' && c != '-' && c != '_' {
			return false
		}
	}
	return true
}
