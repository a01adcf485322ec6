package transmitter_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lamplighter/agent/transmitter"
	"lamplighter/agent/transmitter/transmittertest"
	"lamplighter/proto/setup"
)

var start = time.Date(2026, 3, 1, 12, 0, 1, 0, time.UTC)

// ticking gives times a second apart.
func ticking() func() time.Time {
	now := start.Add(-time.Second)
	return func() time.Time { now = now.Add(time.Second); return now }
}

func TestSimulatedKeepsTheContract(t *testing.T) {
	transmittertest.Conformance(t, func(*testing.T) (transmitter.Driver, transmittertest.Probe) {
		s := transmitter.NewSimulated(ticking(), nil)
		return s, s.Keyed
	})
}

func TestAFaultyDriverThatWorksKeepsTheContract(t *testing.T) {
	transmittertest.Conformance(t, func(*testing.T) (transmitter.Driver, transmittertest.Probe) {
		s := transmitter.NewSimulated(ticking(), nil)
		return &transmittertest.Faulty{Driver: s}, s.Keyed
	})
}

func TestSimulatedSaysWhichTonesWhen(t *testing.T) {
	var log bytes.Buffer
	s := transmitter.NewSimulated(ticking(), &log)
	must(t, s.Key(7040100.25, 40))
	must(t, s.Tone(7040101.5))
	must(t, s.Unkey())

	got := s.Sent()
	if len(got) != 1 || got[0].DrivePercent != 40 || len(got[0].Tones) != 2 ||
		got[0].Tones[0] != (transmitter.Edge{At: start, Hz: 7040100.25}) ||
		got[0].Tones[1] != (transmitter.Edge{At: start.Add(time.Second), Hz: 7040101.5}) ||
		!got[0].Unkeyed.Equal(start.Add(2*time.Second)) {
		t.Errorf("sent %+v", got)
	}
	want := []string{
		`{"at":"2026-03-01T12:00:01Z","did":"key","hz":7040100.25,"drive_percent":40}`,
		`{"at":"2026-03-01T12:00:02Z","did":"tone","hz":7040101.5}`,
		`{"at":"2026-03-01T12:00:03Z","did":"unkey"}`,
	}
	if text := strings.TrimSpace(log.String()); text != strings.Join(want, "\n") {
		t.Errorf("log:\n%s", text)
	}
}

func TestMemoryIsBounded(t *testing.T) {
	s := transmitter.NewSimulated(ticking(), nil)
	for range 100 {
		must(t, s.Key(7040100, 40))
		for range 2000 {
			must(t, s.Tone(7040101))
		}
		must(t, s.Unkey())
	}
	if n := len(s.Sent()); n != 64 {
		t.Errorf("%d transmissions are kept", n)
	}
	if n := len(s.Sent()[0].Tones); n != 1024 {
		t.Errorf("%d tones are kept", n)
	}
}

type brokenLog struct{}

func (brokenLog) Write([]byte) (int, error) { return 0, errors.New("no space left") }

func TestABrokenLogKeepsTheKeyUp(t *testing.T) {
	s := transmitter.NewSimulated(ticking(), brokenLog{})
	if err := s.Key(7040100, 40); err == nil || s.Keyed() {
		t.Errorf("keyed without a log: %v", err)
	}
}

func TestOpen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tones")
	driver, err := transmitter.Open(setup.Transmitter{Driver: "simulated", Log: path}, ticking())
	must(t, err)
	must(t, driver.Key(7040100, 40))
	must(t, driver.Close())
	text, err := os.ReadFile(path)
	must(t, err)
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	var last struct{ Did string }
	must(t, json.Unmarshal([]byte(lines[len(lines)-1]), &last))
	if len(lines) != 2 || last.Did != "unkey" {
		t.Errorf("log:\n%s", text)
	}

	for _, wrong := range []setup.Transmitter{
		{Driver: "magic"},
		{Driver: "simulated", Log: filepath.Join(path, "below a file")},
	} {
		if _, err := transmitter.Open(wrong, ticking()); err == nil {
			t.Errorf("%+v opened", wrong)
		}
	}
}

func TestAFullLogIsPutAside(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tones")
	must(t, os.WriteFile(path, make([]byte, 32<<20), 0o600))
	driver, err := transmitter.Open(setup.Transmitter{Driver: "simulated", Log: path}, ticking())
	must(t, err)
	must(t, driver.Key(7040100, 40))
	must(t, driver.Close())
	for name, least := range map[string]int64{path: 100, path + ".1": 32 << 20} {
		info, err := os.Stat(name)
		must(t, err)
		if info.Size() < least || (name == path && info.Size() > 1000) {
			t.Errorf("%s has %d bytes", name, info.Size())
		}
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
