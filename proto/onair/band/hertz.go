package band

import (
	"fmt"
	"strings"
)

// ParseHertz reads a frequency as people write it: 7040100, 7040.1kHz or
// 14.0971 MHz.
func ParseHertz(text string) (float64, error) {
	number, unit := strings.ToLower(strings.TrimSpace(text)), 1.0
	for _, u := range []struct {
		suffix string
		hertz  float64
	}{{"khz", 1e3}, {"mhz", 1e6}, {"hz", 1}} {
		if rest, ok := strings.CutSuffix(number, u.suffix); ok {
			number, unit = strings.TrimSpace(rest), u.hertz
			break
		}
	}
	var value float64
	var rest string
	if n, _ := fmt.Sscanf(number+" .", "%g %s", &value, &rest); n != 2 || rest != "." || !(value > 0 && value*unit <= 1e12) {
		return 0, fmt.Errorf("%.40q is no frequency; write it like 7040100, 7040.1kHz or 14.0971MHz", text)
	}
	return value * unit, nil
}
