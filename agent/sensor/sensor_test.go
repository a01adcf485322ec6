package sensor

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"lamplighter/agent/core"
	"lamplighter/proto/setup"
)

func file(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "number")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestRead(t *testing.T) {
	value := func(v float64) *float64 { return &v }
	for _, test := range []struct {
		name string
		text string
		made setup.Sensor
		want *float64
	}{
		{"millivolts", "13820\n", setup.Sensor{Scale: 0.001}, value(13.82)},
		{"an offset", "100", setup.Sensor{Scale: 0.5, Offset: -10}, value(40)},
		{"a diode's voltage", "30", setup.Sensor{Scale: 0.1, Squared: true}, value(9)},
		{"zero is measured", "0", setup.Sensor{Scale: 1}, value(0)},
		{"below zero", "-1", setup.Sensor{Scale: 1}, nil},
		{"nothing in it", "", setup.Sensor{Scale: 1}, nil},
		{"no number", "warm", setup.Sensor{Scale: 1}, nil},
		{"no finite number", "inf", setup.Sensor{Scale: 1}, nil},
		{"too large", "1e300", setup.Sensor{Scale: 1e9, Squared: true}, nil},
	} {
		t.Run(test.name, func(t *testing.T) {
			test.made.File = file(t, test.text)
			got := Read(setup.Sensors{ForwardWatts: &test.made})
			if diff := cmp.Diff(core.Sensors{ForwardWatts: test.want}, got, cmp.Comparer(near)); diff != "" {
				t.Error(diff)
			}
		})
	}
	if got := Read(setup.Sensors{SupplyVolts: &setup.Sensor{File: "/no/such/file", Scale: 1}}); got.SupplyVolts != nil {
		t.Errorf("a file that is missing says %g", *got.SupplyVolts)
	}
	if got := Read(setup.Sensors{SupplyVolts: &setup.Sensor{File: file(t, "-12"), Scale: 1}}); got.SupplyVolts == nil || *got.SupplyVolts != -12 {
		t.Errorf("a supply of -12 V is %v", got)
	}
}

func near(a, b float64) bool { return a-b < 1e-9 && b-a < 1e-9 }

func TestWatch(t *testing.T) {
	if Watch(t.Context(), setup.Sensors{}) != nil {
		t.Error("nothing to measure, and it is measured")
	}
	path := file(t, "1")
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		measured := Watch(ctx, setup.Sensors{SupplyVolts: &setup.Sensor{File: path, Scale: 1}})
		if v := <-measured; *v.SupplyVolts != 1 {
			t.Errorf("%v", v)
		}
		if err := os.WriteFile(path, []byte("2"), 0o600); err != nil {
			t.Fatal(err)
		}
		<-time.After(3 * every) // what was not fetched is replaced
		if v := <-measured; *v.SupplyVolts != 2 {
			t.Errorf("%v", v)
		}
		cancel()
		synctest.Wait()
		for range measured { // ends, since the channel is closed
		}
	})
}
