package band

import (
	"math"
	"strconv"
	"strings"

	"lamplighter/proto/spelling"
)

// Suggest gives the name that was probably meant, or "" when nothing is near:
// the same name in other letters ("40 M"), the band nearest in wavelength
// ("41m"), or a name that differs by one character ("4om").
func (t *Table) Suggest(name string) string {
	const shortest, longest = 3, 64 // what is worth comparing letter by letter
	if len(name) > longest {
		return ""
	}
	name = strings.ToLower(strings.Join(strings.Fields(name), ""))
	if _, known := t.Lookup(name); known {
		return name
	}
	if metres, ok := wavelength(name); ok {
		return t.nearest(metres)
	}
	for _, b := range t.bands {
		if len(name) >= shortest && spelling.OneSlip(name, b.Name) {
			return b.Name
		}
	}
	return ""
}

// wavelength reads "41m" or "41" as metres.
func wavelength(name string) (metres float64, ok bool) {
	n, err := strconv.ParseUint(strings.TrimSuffix(name, "m"), 10, 16)
	return float64(n), err == nil && n > 0
}

// nearest is the band whose wavelength in name is nearest by ratio, if it is
// within a quarter.
func (t *Table) nearest(metres float64) string {
	best, bestRatio := "", math.Log(1.25)
	for _, b := range t.bands {
		named, ok := wavelength(b.Name)
		if ratio := math.Abs(math.Log(named / metres)); ok && ratio < bestRatio {
			best, bestRatio = b.Name, ratio
		}
	}
	return best
}
