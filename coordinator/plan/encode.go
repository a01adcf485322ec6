package plan

import (
	"bytes"
	"cmp"
	"encoding/json"
	"slices"
	"strconv"
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
	for i, t := range sortedTransmissions(p.Transmissions) {
		out = appendTransmission(appendBreak(out, i), t)
	}
	out = append(out, "],\n \"shortfalls\": ["...)
	for i, s := range sortedShortfalls(p.Shortfalls) {
		out = appendShortfall(appendBreak(out, i), s)
	}
	return append(out, "]}\n"...)
}

func sortedTransmissions(all []Transmission) []Transmission {
	order := func(a, b Transmission) int {
		return cmp.Or(a.Start.Compare(b.Start), cmp.Compare(a.Beacon, b.Beacon), cmp.Compare(a.Band, b.Band), cmp.Compare(a.FrequencyHz, b.FrequencyHz))
	}
	if slices.IsSortedFunc(all, order) {
		return all
	}
	all = slices.Clone(all)
	slices.SortStableFunc(all, order)
	return all
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

func appendTransmission(out []byte, t Transmission) []byte {
	out = appendInstant(append(out, `{"start": `...), t.Start)
	out = appendText(append(out, `, "beacon": `...), t.Beacon)
	out = appendText(append(out, `, "band": `...), t.Band)
	out = strconv.AppendFloat(append(out, `, "frequency_hz": `...), t.FrequencyHz, 'f', -1, 64)
	if t.Message == Extended {
		out = append(out, `, "message": "extended"`...)
	}
	return append(out, '}')
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
