package transmitter_test

import (
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"lamplighter/agent/transmitter"
	"lamplighter/proto/setup"
)

var (
	noBus   = 250
	noLine  = setup.Line{Chip: "gpiochip999", Line: 1, Active: "low"}
	missing = map[string]setup.Transmitter{
		"/dev/i2c-250":               {Driver: "clock-generator", Bus: &noBus, CrystalHz: 25e6},
		"transmitter.key_line: line": {Driver: "clock-generator", Bus: &noBus, CrystalHz: 25e6, KeyLine: &noLine},
		"/dev/no-such-line":          {Driver: "serial", Port: "/dev/no-such-line"},
		"/no/such/program":           {Driver: "command", Command: []string{"/no/such/program"}},
		"transmitter.relays[0]: line 1 of gpiochip999": {
			Driver: "command", Command: []string{"/bin/sh", "-c", off},
			Relays: []setup.Relay{{Name: "40m", FromHz: 7e6, ToHz: 8e6, Line: noLine}},
		},
		"transmitter.amplifier: line 1 of gpiochip999": {
			Driver: "command", Command: []string{"/bin/sh", "-c", off}, Amplifier: &setup.Amplifier{Line: noLine},
		},
	}
)

// off says that the carrier is off to the first three lines: hello, off, off.
// The checksums were computed with the crc_hqx of Python's binascii.
const off = `read a; echo "1 off*9A4B"; read a; echo "2 off*7499"; read a; echo "3 off*DEC8"`

func TestHardwareThatIsMissing(t *testing.T) {
	for say, settings := range missing {
		if err := transmitter.Check(settings); err != nil {
			t.Errorf("looking at settings touches hardware: %v", err)
		}
		if _, err := transmitter.Open(settings, time.Now); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%v, want %q", err, say)
		}
	}
}

func TestOff(t *testing.T) {
	if err := transmitter.Off(setup.Transmitter{Driver: "simulated"}); err != nil {
		t.Error(err)
	}
	good := setup.Transmitter{Driver: "command", Command: []string{"/bin/sh", "-c", off}}
	if err := transmitter.Off(good); err != nil {
		t.Error(err)
	}
	for say, settings := range missing {
		if strings.HasPrefix(say, "transmitter.relays") {
			continue // relays stay as they are
		}
		if err := transmitter.Off(settings); err == nil || !strings.Contains(err.Error(), strings.TrimPrefix(say[strings.LastIndex(say, ": ")+1:], " ")) {
			t.Errorf("%v, want %q", err, say)
		}
	}
}

func TestWrongSettingsOpenNothing(t *testing.T) {
	for _, wrong := range []setup.Transmitter{{Driver: "magic"}, {Driver: "serial"}, {}} {
		if _, err := transmitter.Open(wrong, time.Now); err == nil {
			t.Errorf("%+v opened", wrong)
		}
	}
}

// The settings that deploy/serial-keyer.md shows are settings.
func TestTheDocumentsSettings(t *testing.T) {
	text, err := os.ReadFile("../../deploy/serial-keyer.md")
	must(t, err)
	blocks := regexp.MustCompile("(?s)```yaml\n(.*?)```").FindAllStringSubmatch(string(text), -1)
	if len(blocks) != 5 {
		t.Fatalf("%d blocks", len(blocks))
	}
	for _, block := range blocks {
		var file struct{ Transmitter setup.Transmitter }
		must(t, yaml.UnmarshalWithOptions([]byte(block[1]), &file, yaml.Strict()))
		if file.Transmitter.Driver == "" { // the parts that are for every driver
			file.Transmitter.Driver, file.Transmitter.Port = "serial", "/dev/ttyUSB0"
		}
		if err := transmitter.Check(file.Transmitter); err != nil {
			t.Errorf("%s%v", block[1], err)
		}
	}
}
