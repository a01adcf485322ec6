package endtoend

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	agentapp "lamplighter/agent/app"
	keyerprocess "lamplighter/agent/keyer/process"
	"lamplighter/proto/setup"
)

// runOnKernel runs an agent and its keyer in this process, on a kernel of the
// given name: two of them are two devices, or one that was started anew.
func runOnKernel(t *testing.T, kernel string, file *setup.File) *agentapp.App {
	t.Helper()
	said := newTranscript()
	if err := os.MkdirAll(file.Folder, 0o700); err != nil {
		t.Fatal(err)
	}
	agent, err := agentapp.New(agentapp.Options{
		File: file, Version: "trial", Log: slog.New(slog.NewTextHandler(said, nil)),
		StartKeyer: func(ctx context.Context) (agentapp.Keyer, error) {
			options, err := keyerprocess.FromSetup(file)
			options.BootID = kernel
			return keyerprocess.InMemory(ctx, options), err
		},
	})
	if err == nil {
		err = agent.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		agent.Stop()
		if t.Failed() {
			t.Logf("---- the agent of %s on kernel %s said:\n%s", file.Beacon, kernel, tail(said.String(), 6000))
		}
	})
	return agent
}

// S13: a card is copied, and both devices run. The second gets no lease and sends
// nothing, people are told within a minute of its first word, by the database's
// clock, and the first goes on.
func TestOfTwoDevicesWithOneIdentityTheSecondGetsNothing(t *testing.T) {
	t.Parallel()
	for _, kind := range brokerKinds {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			s := newSecureNetwork(t, kind)
			if r := s.enrol("mill-a"); r.exit != 0 {
				t.Fatal(r.stderr)
			}
			first := s.given("mill-a")
			runOnKernel(t, "kernel-1", first)
			sent := "select count(*) from outcomes where beacon = 'mill-a' and kind = 'sent'"
			eventually(t, "the first device on the air", func() bool { return s.count(sent) > 0 })
			var holder string
			if err := s.rows.QueryRow(t.Context(), "select run from leases where beacon = 'mill-a'").Scan(&holder); err != nil {
				t.Fatal(err)
			}

			second, identity, at := *first, *first.Identity, filepath.Join(s.folder, "copy")
			must(t, "cp", "-a", identity.Folder, at)
			identity.Folder = at
			second.Folder, second.Identity, second.Transmitter.Log = filepath.Join(s.folder, "second"), &identity, filepath.Join(s.folder, "second.tones")
			runOnKernel(t, "kernel-2", &second)

			const told = "select count(*) from device_events where beacon = 'mill-a' and kind = 'cloned'"
			eventually(t, "two devices are noticed", func() bool { return s.count(told) > 0 })
			eventually(t, "an alert of it is raised", func() bool {
				return s.count("select count(*) from alerts where condition = 'identity_twice' and beacon = 'mill-a'") > 0
			})
			var after time.Duration
			err := s.rows.QueryRow(t.Context(), `
				select min(e.at) - min(b.first_seen) from device_events e, boots b
				where e.beacon = 'mill-a' and e.kind = 'cloned' and b.beacon = 'mill-a' and b.boot <> $1`, holder).Scan(&after)
			if err != nil || after > time.Minute {
				t.Errorf("noticed %s after the second device was heard first, %v", after, err)
			}
			t.Logf("noticed %s after the second device was heard first", after)
			eventually(t, "the first device goes on", func() bool {
				return s.count(sent+" and start_at > (select min(at) from device_events where beacon = 'mill-a' and kind = 'cloned')") > 0
			})
			if n := s.count("select count(*) from leases where beacon = 'mill-a' and run = $1", holder); n != 1 {
				t.Error("the second device holds the identity")
			}
			if n := s.count("select count(*) from outcomes where beacon = 'mill-a' and boot <> $1 and kind = 'sent'", holder); n != 0 {
				t.Errorf("the second device sent %d times", n)
			}
			if text, err := os.ReadFile(second.Transmitter.Log); err == nil && len(text) != 0 {
				t.Errorf("the second device was on the air:\n%s", text)
			}
		})
	}
}

// A device that is started anew within the minute waits for its lease, comes back
// on the air, and alarms nobody. The minute is made shorter in the database.
func TestARebootAlarmsNobody(t *testing.T) {
	t.Parallel()
	s := newSecureNetwork(t, "embedded")
	if r := s.enrol("harbour-a"); r.exit != 0 {
		t.Fatal(r.stderr)
	}
	file := s.given("harbour-a")
	before := runOnKernel(t, "kernel-1", file)
	const sent = "select count(*) from outcomes where beacon = 'harbour-a' and kind = 'sent'"
	eventually(t, "the device on the air", func() bool { return s.count(sent) > 0 })
	before.Stop()
	runOnKernel(t, "kernel-2", file)
	const granted = "select count(*) from leases where beacon = 'harbour-a' and boot_id = 'kernel-2'"
	refused := regexp.MustCompile(`a lease is refused.*beacon=harbour-a.*other_kernel`)
	eventually(t, "the device asks for a lease", func() bool { // where that took a minute, it has one
		return refused.MatchString(s.coordinator.said.String()) || s.count(granted) > 0
	})
	if _, err := s.rows.Exec(t.Context(), "update leases set heard_at = heard_at - interval '1 minute' where beacon = 'harbour-a' and boot_id <> 'kernel-2'"); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the device on the air again", func() bool {
		return s.count(sent+" and start_at > (select granted_at from leases where beacon = 'harbour-a' and boot_id = 'kernel-2')") > 0
	})
	if n := s.count("select count(*) from device_events where kind = 'cloned'"); n != 0 {
		t.Error("a reboot is told of as a second device")
	}
	if n := s.count("select count(*) from alerts where condition = 'identity_twice'"); n != 0 {
		t.Error("a reboot raises an alert")
	}
}
