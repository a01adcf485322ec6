package dialogue_test

import (
	"bytes"
	"os"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"lamplighter/agent/transmitter/dialogue"
)

// The check value of CRC-16/IBM-3740 in the published catalogues of checksums
// (from memory).
func TestChecksum(t *testing.T) {
	if got := dialogue.Checksum([]byte("123456789")); got != 0x29b1 {
		t.Errorf("%04X", got)
	}
}

// The example in deploy/serial-keyer.md, whose checksums were computed with the
// crc_hqx of Python's binascii.
func TestTheDocumentsExample(t *testing.T) {
	text, err := os.ReadFile("../../../deploy/serial-keyer.md")
	if err != nil {
		t.Fatal(err)
	}
	lines := regexp.MustCompile(`(?m)^(agent|keyer)  ((\d+) ([^*\n]+)\*.*\n)`).FindAllStringSubmatch(string(text), -1)
	if len(lines) != 10 {
		t.Fatalf("%d lines", len(lines))
	}
	for _, line := range lines {
		number, err := strconv.ParseUint(line[3], 10, 16)
		if got := string(dialogue.Line(uint16(number), line[4])); err != nil || got != line[2] {
			t.Errorf("%q, want %q", got, line[2])
		}
		if _, err := dialogue.ParseAnswer([]byte(line[2])); (err == nil) != (line[1] == "keyer" || line[4] == "off") {
			t.Errorf("%q: %v", line[0], err)
		}
	}
}

func TestAnswers(t *testing.T) {
	for words, want := range map[string]dialogue.Answer{
		"on":                  {Number: 7, State: dialogue.On},
		"off":                 {Number: 7, State: dialogue.Off},
		"error no such band!": {Number: 7, State: dialogue.Failed, Text: "no such band!"},
	} {
		for _, end := range []string{"", "\n", "\r\n"} {
			line := append(bytes.TrimRight(dialogue.Line(7, words), "\n"), end...)
			if got, err := dialogue.ParseAnswer(line); err != nil || got != want {
				t.Errorf("%q: %+v, %v", line, got, err)
			}
		}
	}
}

func TestNoise(t *testing.T) {
	good := string(dialogue.Line(7, "on"))
	for name, line := range map[string]string{
		"empty":             "",
		"no checksum":       "7 on\n",
		"wrong checksum":    strings.Replace(good, "on", "of", 1),
		"small letters":     strings.ToLower(good) + "x",
		"unknown word":      string(dialogue.Line(7, "perhaps")),
		"on with more":      string(dialogue.Line(7, "on air")),
		"an empty error":    string(dialogue.Line(7, "error")),
		"no words":          string(dialogue.Line(7, "")),
		"a tab":             string(dialogue.Line(7, "error a\tb")),
		"too long":          string(dialogue.Line(7, "error "+strings.Repeat("x", dialogue.MaxLine))),
		"a number too much": "65543" + good[1:],
	} {
		if got, err := dialogue.ParseAnswer([]byte(line)); err == nil {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// Every single wrong bit is noticed.
func TestEveryWrongBitIsNoticed(t *testing.T) {
	line := bytes.TrimRight(dialogue.Line(4711, "tone 14097101464"), "\n")
	for i := range line {
		for bit := range 8 {
			wrong := bytes.Clone(line)
			wrong[i] ^= 1 << bit
			if number, words, err := dialogue.Split(wrong); err == nil {
				t.Errorf("%q was read as %d %v", wrong, number, words)
			}
		}
	}
}

func FuzzSplit(f *testing.F) {
	for _, words := range []string{"on", "off", "error no", "key 7040100250 50", "hello 1"} {
		f.Add(dialogue.Line(9, words))
	}
	f.Add([]byte("*0000\n"))
	f.Fuzz(func(t *testing.T, line []byte) {
		number, words, err := dialogue.Split(line)
		if _, noise := dialogue.ParseAnswer(line); err != nil && noise == nil {
			t.Error("an answer that is no line")
		}
		if err != nil {
			return
		}
		again, same, err := dialogue.Split(dialogue.Line(number, strings.Join(words, " ")))
		if err != nil || again != number || !reflect.DeepEqual(words, same) {
			t.Errorf("%d %q, %v", again, same, err)
		}
	})
}
