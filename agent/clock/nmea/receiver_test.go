package nmea

import (
	"testing"

	"lamplighter/agent/clock/judge"
)

func TestFix(t *testing.T) {
	const good = "GPRMC,120000,A,,,,,,,010127,,,A"
	for _, test := range []struct {
		name  string
		lines []string
		fix   judge.Fix
	}{
		{"valid", []string{good}, judge.FixReal},
		{"valid, before mode was sent", []string{"GPRMC,120000,A,,,,,,,010127"}, judge.FixReal},
		{"a warning: fix lost but sentences continue", []string{good, "GPRMC,120000,V,,,,,,,010127,,,N"}, judge.FixNone},
		{"dead reckoning", []string{"GPRMC,120000,A,,,,,,,010127,,,E"}, judge.FixDoubted},
		{"simulated", []string{"GPRMC,120000,A,,,,,,,010127,,,S"}, judge.FixDoubted},
		{"by hand, says GGA", []string{"GPGGA,120000,,,,,7,08,,,,,,,", good}, judge.FixDoubted},
		{"none, says GGA", []string{"GPGGA,120000,,,,,0,00,,,,,,,", good}, judge.FixNone},
		{"RTK", []string{"GPGGA,120000,,,,,4,12,,,,,,,", "GPZDA,120000,01,01,2027,,"}, judge.FixReal},
		{"ZDA alone says nothing of a fix", []string{"GPZDA,120000,01,01,2027,,"}, judge.FixNone},
	} {
		var r Receiver
		var last judge.Event
		for _, line := range test.lines {
			s, err := Parse(sealed(line))
			if err != nil {
				t.Fatal(err)
			}
			if last, err = r.Hear(s); err != nil {
				t.Fatal(err)
			}
		}
		if got, ok := last.(judge.Sentence); !ok || got.Fix != test.fix || got.Time.IsZero() {
			t.Errorf("%s: %+v, want fix %d", test.name, last, test.fix)
		}
	}
}
