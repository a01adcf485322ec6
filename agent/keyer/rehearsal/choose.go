package rehearsal

import (
	"errors"
	"fmt"
	"strings"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/wspr"
)

// widest is the narrowest segment in hertz that a signal fits in.
const widest = 6

// choose makes up a transmission that an envelope allows: in the middle of a
// segment, with the full message and the highest power that can be said.
func choose(e *wirev1.Envelope, band string) (*wirev1.Transmission, error) {
	var have []string
	for _, b := range e.GetBands() {
		have = append(have, b.GetBand())
		if band != "" && band != b.GetBand() {
			continue
		}
		for _, segment := range b.GetSegments() {
			power, ok := highest(min(b.GetMaxPowerDbm(), segment.GetLimitDbm()))
			if ok && segment.GetToHz()-segment.GetFromHz() >= widest {
				return &wirev1.Transmission{
					Band: b.GetBand(), FrequencyMillihertz: (segment.GetFromHz() + segment.GetToHz()) * 500,
					DrivePercent: 100, Control: wirev1.Control_CONTROL_AUTOMATIC,
					Message: &wirev1.Message{
						Callsign: e.GetCallsign(), Locator: locator(e), PowerDbm: int32(power), Kind: wirev1.MessageKind_MESSAGE_KIND_FULL,
					},
				}, nil
			}
		}
	}
	if len(have) == 0 {
		return nil, errors.New("the licence allows no band, so there is nothing to rehearse")
	}
	return nil, fmt.Errorf("the licence allows no transmission on the band %q; it has: %s", band, strings.Join(have, ", "))
}

// locator is as much of it as the message has room for: none beside a compound
// call sign.
func locator(e *wirev1.Envelope) string {
	if wspr.Compound(e.GetCallsign()) {
		return ""
	}
	return e.GetLocator()[:min(4, len(e.GetLocator()))]
}

// highest is the highest power in dBm that a message can say within a limit.
func highest(limit int32) (power int, ok bool) {
	for _, p := range wspr.LegalPowers() {
		if p <= int(limit) {
			power, ok = p, true
		}
	}
	return power, ok
}
