package plan

import (
	"bytes"
	"cmp"
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Encode returns the plan as a file: the same bytes for the same plan, one
// transmission and one shortfall a line, sorted, so that two plans can be
// compared line by line.
func (p *Plan) Encode() []byte {
	out := make([]byte, 0, 200+130*len(p.Transmissions))
	out = append(out, `{"network": `...)
	out = appendText(out, p.Network)
	out = appendInstant(append(out, `, "from": `...), p.From)
	out = appendInstant(append(out, `, "to": `...), p.To)
	out = strconv.AppendInt(append(out, `, "slot_seconds": `...), p.SlotSeconds, 10)
	out = append(out, ",\n \"transmissions\": ["...)
	all := sortedTransmissions(p.Transmissions)
	var start []byte // as text, which many have in common
	for i := range all {
		if i == 0 || all[i].Start != all[i-1].Start {
			start = appendInstant(start[:0], all[i].Start)
		}
		out = appendTransmission(appendBreak(out, i), &all[i], start)
	}
	out = append(out, "],\n \"shortfalls\": ["...)
	for i, s := range sortedShortfalls(p.Shortfalls) {
		out = appendShortfall(appendBreak(out, i), s)
	}
	return append(out, "]}\n"...)
}

func sortedTransmissions(all []Transmission) []Transmission {
	if slices.IsSortedFunc(all, Transmission.compare) {
		return all
	}
	all = slices.Clone(all)
	slices.SortStableFunc(all, Transmission.compare)
	return all
}

func (t Transmission) compare(other Transmission) int {
	if t.Start != other.Start {
		if c := t.Start.Compare(other.Start); c != 0 {
			return c
		}
	}
	if c := strings.Compare(t.Beacon, other.Beacon); c != 0 {
		return c
	}
	return cmp.Or(strings.Compare(t.Band, other.Band), cmp.Compare(t.FrequencyHz, other.FrequencyHz))
}

func sortedShortfalls(all []Shortfall) []Shortfall {
	all = slices.Clone(all)
	slices.SortStableFunc(all, func(a, b Shortfall) int {
		return cmp.Or(cmp.Compare(a.Beacon, b.Beacon), cmp.Compare(a.Band, b.Band))
	})
	return all
}

func appendBreak(out []byte, i int) []byte {
	if i > 0 {
		out = append(out, ',')
	}
	return append(out, "\n  "...)
}

func appendTransmission(out []byte, t *Transmission, start []byte) []byte {
	out = append(append(out, `{"start": `...), start...)
	out = appendText(append(out, `, "beacon": `...), t.Beacon)
	out = appendText(append(out, `, "band": `...), t.Band)
	out = appendHz(append(out, `, "frequency_hz": `...), t.FrequencyHz)
	if t.Message == Extended {
		out = append(out, `, "message": "extended"`...)
	}
	return append(out, '}')
}

// appendHz writes a frequency with as few decimals as tell it from any other. Most
// have one at most, which needs no search for them.
func appendHz(out []byte, hz float64) []byte {
	const most = 1e14 // so many tenths are told apart
	tenths := math.Round(hz * 10)
	if hz <= 0 || tenths > most || tenths/10 != hz {
		return strconv.AppendFloat(out, hz, 'f', -1, 64)
	}
	out = strconv.AppendInt(out, int64(tenths)/10, 10)
	if tenth := int64(tenths) % 10; tenth > 0 {
		out = append(out, '.', byte('0'+tenth))
	}
	return out
}

func appendShortfall(out []byte, s Shortfall) []byte {
	out = appendText(append(out, `{"beacon": `...), s.Beacon)
	if s.Band != "" {
		out = appendText(append(out, `, "band": `...), s.Band)
	}
	out = strconv.AppendInt(append(out, `, "wanted": `...), int64(s.Wanted), 10)
	out = strconv.AppendInt(append(out, `, "granted": `...), int64(s.Granted), 10)
	out = appendText(append(out, `, "reason": `...), s.Reason)
	return append(out, '}')
}

func appendInstant(out []byte, t time.Time) []byte {
	out = t.UTC().AppendFormat(append(out, '"'), time.RFC3339)
	return append(out, '"')
}

// appendText writes a JSON string.
func appendText(out []byte, text string) []byte {
	if plainText(text) {
		return append(append(append(out, '"'), text...), '"')
	}
	var buffer bytes.Buffer
	encoder := json.NewEncoder(&buffer)
	encoder.SetEscapeHTML(false)
	_ = encoder.Encode(text) // a string always encodes
	return append(out, bytes.TrimRight(buffer.Bytes(), "\n")...)
}

func plainText(text string) bool {
	for i := range len(text) {
		if c := text[i]; c < ' ' || c > '~' || c == '"' || c == '\\' {
			return false
		}
	}
	return true
}
