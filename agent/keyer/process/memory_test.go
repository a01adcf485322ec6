package process

import (
	"os"
	"path/filepath"
	"testing"

	"lamplighter/agent/keyer"
)

func TestATripIsRememberedInMemory(t *testing.T) {
	l := &loop{Options: Options{Config: keyer.Config{Beacon: "mill-hf"}, Memory: t.TempDir()}}
	m := l.memory()
	if trip := m.trip(); trip != "" {
		t.Errorf("at first %q", trip)
	}
	for _, want := range []keyer.Reason{"", keyer.Watchdog, keyer.ReadBack, "", ""} {
		if err := m.remember(want); err != nil {
			t.Errorf("%q: %v", want, err)
		}
		if trip := l.memory().trip(); trip != want {
			t.Errorf("%q instead of %q", trip, want)
		}
	}
}

// What was left by a process that ended while it wrote was a trip.
func TestARememberedTripThatCanNotBeReadIsOne(t *testing.T) {
	file := filepath.Join(t.TempDir(), "trip")
	for _, text := range []string{"", "Watchdog", "read\x00back", "read back", string(make([]byte, 1<<16))} {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if trip := memory(file).trip(); trip != keyer.StateGarbled {
			t.Errorf("%.20q: %q", text, trip)
		}
	}
	if trip := memory(t.TempDir()).trip(); trip != keyer.StateGarbled {
		t.Errorf("a folder: %q", trip)
	}
}

func TestWithoutAFolderNothingIsRemembered(t *testing.T) {
	m := (&loop{}).memory()
	if err := m.remember(keyer.Watchdog); err != nil || m.trip() != "" {
		t.Errorf("%v, %q", err, m.trip())
	}
}
