package plan

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"lamplighter/proto/onair/slot"
)

// Limits of a plan file.
const (
	largestFile       = 1 << 30 // bytes
	mostTransmissions = 8_000_000
	mostShortfalls    = 1_000_000
	longestText       = 1000 // bytes of a name or reason
	highestHz         = 300_000_000_000
)

// The file's own form: instants are text, so that a wrong one gets a sentence.
type filePlan struct {
	Network       *string            `json:"network"`
	From          *string            `json:"from"`
	To            *string            `json:"to"`
	SlotSeconds   *int64             `json:"slot_seconds"`
	Transmissions []fileTransmission `json:"transmissions"`
	Shortfalls    []Shortfall        `json:"shortfalls"`
}

type fileTransmission struct {
	Start       string  `json:"start"`
	Beacon      string  `json:"beacon"`
	Band        string  `json:"band"`
	FrequencyHz float64 `json:"frequency_hz"`
	Message     Message `json:"message"`
}

// Decode reads a plan file. It refuses what is not of the form, with the place
// and what would be right; whether the plan is a good one is for Check.
func Decode(data []byte) (*Plan, error) {
	if len(data) > largestFile {
		return nil, fmt.Errorf("plan: the file is larger than %d MiB", largestFile>>20)
	}
	file, ok := readQuickly(data)
	if !ok {
		var err error
		if file, err = readAny(data); err != nil {
			return nil, err
		}
	}
	p, err := file.plan()
	if err != nil {
		return nil, fmt.Errorf("plan: %w", err)
	}
	return p, nil
}

// readAny reads any JSON, and says where it is not of the form.
func readAny(data []byte) (*filePlan, error) {
	decoder := json.NewDecoder(bytes.NewReader(data))
	decoder.DisallowUnknownFields()
	file := &filePlan{}
	if err := decoder.Decode(file); err != nil {
		return nil, fmt.Errorf("plan: %s: %w", lineOf(data, decoder.InputOffset(), err), err)
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("plan: line %d: something follows after the end of the plan", line(data, decoder.InputOffset()))
	}
	return file, nil
}

// lineOf names the line of an error of the JSON decoder.
func lineOf(data []byte, offset int64, err error) string {
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		offset = int64(len(data))
	case errors.As(err, &syntax):
		offset = syntax.Offset
	case errors.As(err, &kind):
		offset = kind.Offset
	}
	return fmt.Sprintf("line %d", line(data, offset))
}

func line(data []byte, offset int64) int {
	return 1 + bytes.Count(data[:min(int64(len(data)), max(0, offset))], []byte("\n"))
}

func (file *filePlan) plan() (*Plan, error) {
	switch {
	case file.Network == nil || *file.Network == "":
		return nil, errors.New("network is missing: it is the name of the network as in the fleet file")
	case file.From == nil || file.To == nil:
		return nil, errors.New("from or to is missing: they say which slots the plan covers")
	case file.SlotSeconds == nil:
		return nil, errors.New("slot_seconds is missing: 120 for WSPR")
	case len(file.Transmissions) > mostTransmissions:
		return nil, fmt.Errorf("more than %d transmissions", mostTransmissions)
	case len(file.Shortfalls) > mostShortfalls:
		return nil, fmt.Errorf("more than %d shortfalls", mostShortfalls)
	}
	if err := slot.Length(*file.SlotSeconds).Check(); err != nil {
		return nil, fmt.Errorf("slot_seconds: %w", err)
	}
	from, err := instant(*file.From)
	if err != nil {
		return nil, fmt.Errorf("from: %w", err)
	}
	to, err := instant(*file.To)
	if err != nil {
		return nil, fmt.Errorf("to: %w", err)
	}
	if to.Before(from) {
		return nil, errors.New("to is before from")
	}
	p := &Plan{Network: *file.Network, From: from, To: to, SlotSeconds: *file.SlotSeconds}
	if p.Transmissions, err = transmissions(file.Transmissions); err != nil {
		return nil, err
	}
	if err := checkShortfalls(file.Shortfalls); err != nil {
		return nil, err
	}
	p.Shortfalls = file.Shortfalls
	return p, nil
}

func transmissions(file []fileTransmission) ([]Transmission, error) {
	all := make([]Transmission, 0, len(file))
	var start time.Time
	var err error
	for i, t := range file {
		if i == 0 || t.Start != file[i-1].Start {
			start, err = instant(t.Start)
		}
		switch {
		case err != nil:
		case t.Beacon == "" || len(t.Beacon) > longestText:
			err = errors.New("beacon is missing or too long")
		case t.Band == "" || len(t.Band) > longestText:
			err = errors.New("band is missing or too long")
		case t.FrequencyHz <= 0 || t.FrequencyHz > highestHz:
			err = fmt.Errorf("frequency_hz of %v is not a frequency in hertz, such as 7040101.5", t.FrequencyHz)
		case t.Message != "" && t.Message != Full && t.Message != Extended:
			err = fmt.Errorf("message is %.20q: it is full (or left out) or extended", t.Message)
		case i > 0 && before(start, t.Beacon, all[i-1]):
			err = errors.New("out of order: transmissions are sorted by start, then beacon")
		}
		if err != nil {
			return nil, fmt.Errorf("transmission %d: %w", i+1, err)
		}
		if t.Message == Full {
			t.Message = "" // one form for one meaning
		}
		all = append(all, Transmission{start, t.Beacon, t.Band, t.FrequencyHz, t.Message})
	}
	return all, nil
}

func before(start time.Time, beacon string, other Transmission) bool {
	return start.Before(other.Start) || start.Equal(other.Start) && beacon < other.Beacon
}

func checkShortfalls(shortfalls []Shortfall) error {
	for i, s := range shortfalls {
		switch {
		case s.Beacon == "" || len(s.Beacon) > longestText:
			return fmt.Errorf("shortfall %d: beacon is missing or too long", i+1)
		case len(s.Band) > longestText || len(s.Reason) > longestText:
			return fmt.Errorf("shortfall %d: band or reason is too long", i+1)
		case s.Wanted < 0 || s.Granted < 0:
			return fmt.Errorf("shortfall %d: wanted and granted are not negative", i+1)
		}
	}
	return nil
}

// instant reads an RFC 3339 time in UTC, in whole seconds.
func instant(text string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339, text)
	_, offset := t.Zone()
	if err != nil || offset != 0 || t.Nanosecond() != 0 || t.Year() < 1970 || t.Year() > 9000 {
		return time.Time{}, fmt.Errorf("%.40q is not a time in UTC and whole seconds such as 2026-12-01T00:04:00Z", text)
	}
	return t.UTC(), nil
}
