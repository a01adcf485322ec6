//go:build long

package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"lamplighter/agent/app/apptest"
)

// What the program takes of a small computer while nothing is ordered: resident
// memory of agent, keyer and standby together, processor time, and the size of
// the file. All run the same file, whose pages are in memory once and count once.
// LAMPLIGHTER_AT_REST says for how long, an hour if it is not set.
func TestAtRest(t *testing.T) {
	lasts := time.Hour
	if text := os.Getenv("LAMPLIGHTER_AT_REST"); text != "" {
		var err error
		if lasts, err = time.ParseDuration(text); err != nil {
			t.Fatal(err)
		}
	}
	program := filepath.Join(t.TempDir(), "lamplighter-agent")
	build := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", program, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if said, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, said)
	}
	file, err := os.Stat(program)
	if err != nil {
		t.Fatal(err)
	}
	s := apptest.New(t)
	s.File.HealthSeconds = 30
	go func() { // so that nothing waits for this test
		for {
			select {
			case <-s.Health:
			case <-s.Records:
			case <-t.Context().Done():
				return
			}
		}
	}()
	agent := exec.Command(program, "run", "--config", written(t, s.File))
	agent.Stderr = t.Output()
	if err := agent.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = agent.Process.Kill(); _ = agent.Wait() })

	const settled = time.Minute // what starting takes does not count
	<-time.After(settled)
	before := processorTime(t, agent.Process.Pid)
	<-time.After(lasts - settled)
	used := processorTime(t, agent.Process.Pid) - before
	own, shared := 0, 0
	for _, pid := range family(t, agent.Process.Pid) {
		own += status(t, pid, "RssAnon:")
		shared = max(shared, status(t, pid, "RssFile:"))
	}
	share := 100 * used.Seconds() / (lasts - settled).Seconds()
	t.Logf("after %v: %.1f MB resident, %.1f of them the program's file, %.2f %% of one core, program %.1f MB",
		lasts, float64(own+shared)/1e6, float64(shared)/1e6, share, float64(file.Size())/1e6)
	if own+shared > 30e6 || share > 1 || file.Size() > 20e6 {
		t.Error("that is more than 30 MB, 1 % and 20 MB")
	}
}

// family is a process and its children.
func family(t *testing.T, pid int) []int {
	t.Helper()
	list := []int{pid}
	tasks, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/children", pid))
	if err != nil {
		t.Fatal(err)
	}
	for _, task := range tasks {
		text, err := os.ReadFile(task)
		if err != nil {
			t.Fatal(err)
		}
		for _, word := range strings.Fields(string(text)) {
			child, err := strconv.Atoi(word)
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, child)
		}
	}
	if len(list) != 3 {
		t.Fatalf("processes %v, want the agent, its keyer, and who stands by", list)
	}
	return list
}

// processorTime is what a process and its children have used.
func processorTime(t *testing.T, pid int) time.Duration {
	t.Helper()
	const tick = 10 * time.Millisecond // USER_HZ is 100 on every Linux that Go runs on
	var sum time.Duration
	for _, one := range family(t, pid) {
		text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", one))
		if err != nil {
			t.Fatal(err)
		}
		_, rest, _ := strings.Cut(string(text), ") ") // the name may have spaces
		fields := strings.Fields(rest)
		for _, field := range fields[11:13] { // utime, stime (proc_pid_stat(5), 14 and 15)
			n, err := strconv.Atoi(field)
			if err != nil {
				t.Fatal(err)
			}
			sum += time.Duration(n) * tick
		}
	}
	return sum
}

// status is a line of a process's status, in bytes (proc_pid_status(5)).
func status(t *testing.T, pid int, key string) int {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(text), key)
	if !found {
		t.Fatalf("this kernel does not say %s", key)
	}
	kilobytes, err := strconv.Atoi(strings.Fields(rest)[0])
	if err != nil {
		t.Fatal(err)
	}
	return kilobytes * 1024
}
