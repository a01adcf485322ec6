package app_test

import (
	"log/slog"
	"strings"
	"testing"

	"lamplighter/coordinator/app"
	"lamplighter/coordinator/fault"
)

// What needs no proof of who it is, is said at the start.
func TestWhatIsLetInUnprovenIsSaid(t *testing.T) {
	for name, c := range map[string]struct {
		options app.Options
		said    bool
	}{
		"in the open, on this computer": {app.Options{MQTT: "127.0.0.1:1883"}, true},
		"encrypted":                     {app.Options{MQTT: "0.0.0.0:8883", Secure: app.Secure{On: true}}, false},
		"a broker that looks itself":    {app.Options{Broker: "tcp://127.0.0.1:1883"}, false},
	} {
		if got := c.options.Unproven(); (got != "") != c.said {
			t.Errorf("%s: %q", name, got)
		}
	}
}

func TestItListensOnThisComputerAlone(t *testing.T) {
	for _, c := range []struct {
		address string
		ok      bool
	}{
		{"127.0.0.1:0", true},
		{"127.3.2.1:7640", true},
		{"[::1]:0", true},
		{"localhost:0", true},
		{"0.0.0.0:0", false},
		{":0", false},
		{"[::]:0", false},
		{"192.0.2.7:7640", false}, // from the block for documentation, RFC 5737
		{"example.com:7640", false},
		{"127.0.0.1", false},
		{"", false},
	} {
		for _, set := range []func(*app.Options){
			func(o *app.Options) { o.GRPC = c.address },
			func(o *app.Options) { o.HTTP = c.address },
			func(o *app.Options) { o.MQTT = c.address },
		} {
			o := app.Options{Dir: "x", GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", MQTT: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)}
			set(&o)
			if _, err := app.New(o); (err == nil) != c.ok || err != nil && fault.ExitCode(err) != 2 {
				t.Errorf("%+v: %v", o, err)
			}
		}
	}
	o := app.Options{GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Broker: "tcp://127.0.0.1:1883", Log: slog.New(slog.DiscardHandler)}
	if _, err := app.New(o); err == nil || !strings.Contains(err.Error(), "--dir") {
		t.Errorf("without a folder: %v", err)
	}
	o.Dir = "x"
	if _, err := app.New(o); err != nil {
		t.Errorf("with a broker outside no address for ours is needed: %v", err)
	}
}
