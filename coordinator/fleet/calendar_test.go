package fleet

import (
	"strings"
	"testing"
)

func TestWeeksBeginInTheNetworksZone(t *testing.T) {
	for _, c := range []struct{ name, old, new, want string }{
		{"sites in two zones", "", "", "UTC"},
		{"sites in one zone", "America/New_York", "Europe/Berlin", "Europe/Berlin"},
		{"its own", "network: {", "network: {time_zone: Asia/Kathmandu, ", "Asia/Kathmandu"},
	} {
		text := strings.Replace(minimal, c.old, c.new, 1)
		f, err := Read("test.yaml", []byte(text))
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if got := f.Calendar().String(); got != c.want {
			t.Errorf("%s: the weeks begin in %s, want %s", c.name, got, c.want)
		}
	}
	_, err := Read("test.yaml", []byte(strings.Replace(minimal, "network: {", "network: {time_zone: Europe/Nowhere, ", 1)))
	if err == nil || !strings.Contains(err.Error(), "Europe/Nowhere") {
		t.Errorf("an unknown zone gives %v", err)
	}
}
