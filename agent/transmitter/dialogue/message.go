package dialogue

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// MaxLine is the length of the longest line in bytes, without its end.
const MaxLine = 120

// Version is the protocol's.
const Version = 1

// State is what an answer says of the carrier.
type State string

// The states.
const (
	On     State = "on"
	Off    State = "off"
	Failed State = "error" // what was asked for can't be done, and the carrier is off
)

// Answer is one line from the far end.
type Answer struct {
	Number uint16
	State  State
	Text   string // why it failed
}

// Line writes a numbered line with its checksum and end.
func Line(number uint16, words string) []byte {
	text := strconv.Itoa(int(number)) + " " + words
	return fmt.Appendf(nil, "%s*%04X\n", text, Checksum([]byte(text)))
}

// Checksum is CRC-16/IBM-3740, also known as CCITT-FALSE: polynomial 1021,
// beginning with FFFF.
func Checksum(text []byte) uint16 {
	sum := uint16(0xffff)
	for _, b := range text {
		sum ^= uint16(b) << 8
		for range 8 {
			carry := sum&0x8000 != 0
			sum <<= 1
			if carry {
				sum ^= 0x1021
			}
		}
	}
	return sum
}

// errNoise is what a line is that the far end can't have meant.
var errNoise = errors.New("not a line of the protocol")

// Split takes a line apart: its number and its words. The line's end may be
// missing or not.
func Split(line []byte) (number uint16, words []string, err error) {
	line = bytes.TrimRight(line, "\r\n")
	if len(line) > MaxLine || len(line) < 7 || line[len(line)-5] != '*' {
		return 0, nil, errNoise
	}
	text, sum := line[:len(line)-5], string(line[len(line)-4:])
	for _, b := range text {
		if b < ' ' || b > '~' {
			return 0, nil, errNoise
		}
	}
	if fmt.Sprintf("%04X", Checksum(text)) != sum {
		return 0, nil, errNoise
	}
	first, rest, _ := strings.Cut(string(text), " ")
	n, err := strconv.ParseUint(first, 10, 16)
	if err != nil || rest == "" || first != strconv.Itoa(int(n)) {
		return 0, nil, errNoise
	}
	return uint16(n), strings.Split(rest, " "), nil
}

// ParseAnswer reads a line from the far end.
func ParseAnswer(line []byte) (Answer, error) {
	number, words, err := Split(line)
	if err != nil {
		return Answer{}, err
	}
	a := Answer{number, State(words[0]), strings.Join(words[1:], " ")}
	switch {
	case a.State == Failed && a.Text != "":
	case (a.State == On || a.State == Off) && len(words) == 1:
	default:
		return Answer{}, errNoise
	}
	return a, nil
}
