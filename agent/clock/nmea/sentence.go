package nmea

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// MaxLine is how long a line may be. The standard has 82 characters; some
// receivers send a few more.
const MaxLine = 128

// Sentence is one line, taken apart.
type Sentence struct {
	Talker string // GP, GL, GA, GB, GN …; empty in proprietary sentences
	Type   string // RMC, GGA …
	Fields []string
}

// The ways in which a line is no sentence.
var (
	ErrLength   = errors.New("longer than a sentence can be")
	ErrFrame    = errors.New("not of the form $…*hh")
	ErrChecksum = errors.New("the checksum is wrong")
	ErrAddress  = errors.New("no sentence has such a name")
)

// Parse takes a line apart and checks its checksum: the exclusive or of all
// characters between $ and *. White space at its end does not matter.
func Parse(line string) (Sentence, error) {
	line = strings.TrimRight(line, "\r\n \t")
	if len(line) > MaxLine {
		return Sentence{}, ErrLength
	}
	star := strings.LastIndexByte(line, '*')
	if !strings.HasPrefix(line, "$") || star < 0 || star != len(line)-3 {
		return Sentence{}, ErrFrame
	}
	body := line[1:star]
	var sum byte
	for i := range len(body) {
		if body[i] < ' ' || body[i] > '~' || body[i] == '$' {
			return Sentence{}, ErrFrame
		}
		sum ^= body[i]
	}
	said, err := strconv.ParseUint(line[star+1:], 16, 8)
	if err != nil {
		return Sentence{}, ErrFrame
	}
	if byte(said) != sum {
		return Sentence{}, fmt.Errorf("%w: %02X, and the line has %02X", ErrChecksum, said, sum)
	}
	fields := strings.Split(body, ",")
	name := fields[0]
	switch {
	case strings.HasPrefix(name, "P") && len(name) > 1:
		return Sentence{Type: name, Fields: fields[1:]}, nil
	case len(name) == 5:
		return Sentence{Talker: name[:2], Type: name[2:], Fields: fields[1:]}, nil
	}
	return Sentence{}, ErrAddress
}

// field is the field at i, empty if there is none.
func (s Sentence) field(i int) string {
	if i >= len(s.Fields) {
		return ""
	}
	return s.Fields[i]
}
