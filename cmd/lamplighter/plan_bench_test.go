package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/planner/testfleet"
)

// BenchmarkPlanCommand builds the program and runs whole commands, file in, file
// out, over a day. It reports how long planning takes, by the clock and in
// processor time, how long in relation to checking the same plan, and the most
// memory that the command had at once. Run it with -benchtime 1x and -count 5 for
// rows that benchstat reads.
func BenchmarkPlanCommand(b *testing.B) {
	program := filepath.Join(b.TempDir(), "lamplighter")
	if out, err := exec.CommandContext(b.Context(), "go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	for _, c := range []struct {
		name string
		file *testfleet.File
	}{
		{"club", testfleet.Club()},
		{"club-x3", testfleet.Club().Oversubscribe(3)},
		{"region", testfleet.Region()},
		{"region-x3", testfleet.Region().Oversubscribe(3)},
		{"nation", testfleet.Nation()},
		{"nation-x3", testfleet.Nation().Oversubscribe(3)},
		{"world", testfleet.World()},
		{"world-x3", testfleet.World().Oversubscribe(3)},
	} {
		b.Run(c.name, func(b *testing.B) {
			fleetFile, planFile := filepath.Join(b.TempDir(), "fleet.yaml"), filepath.Join(b.TempDir(), "plan.json")
			if err := os.WriteFile(fleetFile, c.file.Text(), 0o600); err != nil {
				b.Fatal(err)
			}
			var plan, check usage
			for b.Loop() {
				plan.add(whole(b, program, "plan", fleetFile, "--from", "2026-12-01T00:00:00Z", "--to", "2026-12-02T00:00:00Z", "-o", planFile))
				check.add(whole(b, program, "check", fleetFile, planFile))
			}
			b.ReportMetric(float64(plan.processor)/float64(check.processor), "plan/check")
			b.ReportMetric(plan.clock.Seconds()/float64(b.N), "plan-sec")
			b.ReportMetric(plan.processor.Seconds()/float64(b.N), "plan-cpu-sec")
			b.ReportMetric(check.processor.Seconds()/float64(b.N), "check-cpu-sec")
			b.ReportMetric(float64(plan.memory)/1024, "plan-MiB")
		})
	}
}

// usage is what commands took: time added up, memory at most.
type usage struct {
	clock, processor time.Duration
	memory           int // KiB
}

func (u *usage) add(other usage) {
	u.clock += other.clock
	u.processor += other.processor
	u.memory = max(u.memory, other.memory)
}

// whole runs a command to its end.
func whole(b *testing.B, program string, args ...string) usage {
	command := exec.CommandContext(b.Context(), program, args...)
	var out bytes.Buffer
	command.Stdout, command.Stderr = &out, &out
	begun := time.Now()
	if err := command.Start(); err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(b.Context())
	memory := make(chan int, 1)
	go func() { memory <- mostMemory(ctx, command.Process.Pid) }()
	err := command.Wait()
	clock := time.Since(begun)
	stop()
	if err != nil {
		b.Fatalf("%v: %v: %.500s", args, err, out.String())
	}
	state := command.ProcessState
	return usage{clock: clock, processor: state.UserTime() + state.SystemTime(), memory: <-memory}
}

// mostMemory reads every few milliseconds, until a process ends, the most memory
// that it has had so far, in KiB, as the kernel counts it. What a parent is told of
// a child that has ended may be the parent's own.
func mostMemory(ctx context.Context, process int) (most int) {
	const pause = 3 * time.Millisecond
	status := filepath.Join("/proc", strconv.Itoa(process), "status")
	for ctx.Err() == nil {
		text, _ := os.ReadFile(status) // gone when the process has ended
		if _, after, ok := strings.Cut(string(text), "VmHWM:"); ok {
			if fields := strings.Fields(after); len(fields) > 0 {
				kib, _ := strconv.Atoi(fields[0])
				most = max(most, kib)
			}
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
	}
	return most
}
