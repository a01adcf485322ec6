package gpsd

import (
	"bufio"
	"context"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"lamplighter/agent/clock/feed"
	"lamplighter/agent/clock/judge"
	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/peertest"
)

// epochs writes a log of seconds with and without a fix: three sentences each.
func epochs(t *testing.T, fixes ...bool) string {
	t.Helper()
	var log strings.Builder
	add := func(body string) {
		var sum byte
		for i := range len(body) {
			sum ^= body[i]
		}
		fmt.Fprintf(&log, "$%s*%02X\r\n", body, sum)
	}
	at := time.Date(2026, 12, 1, 12, 0, 0, 0, time.UTC)
	for _, fix := range fixes {
		clock, date := at.Format("150405.00"), at.Format("020106")
		if fix {
			add("GPRMC," + clock + ",A,4807.038,N,01131.000,E,0.0,0.0," + date + ",,,A")
			add("GPGGA," + clock + ",4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,")
			add("GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1")
		} else {
			add("GPRMC," + clock + ",V,,,,,,," + date + ",,,N")
			add("GPGGA," + clock + ",,,,,0,00,,,M,,M,,")
			add("GPGSA,A,1,,,,,,,,,,,,,,,")
		}
		at = at.Add(time.Second)
	}
	file := filepath.Join(t.TempDir(), "log.nmea")
	if err := os.WriteFile(file, []byte(log.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// player plays a log to a real daemon and says when each sentence was fed.
func player(t *testing.T, log string) (address string, fed <-chan string) {
	t.Helper()
	_ = peertest.Find(t, "gpsd")
	gpsfake := peertest.Find(t, "gpsfake")
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address = free.Addr().String()
	_, port, _ := net.SplitHostPort(address)
	_ = free.Close()
	command := exec.Command(gpsfake, "-1", "-n", "-l", "-c", "0.33", "-P", port, log)
	command.Env = append(os.Environ(), "PYTHONUNBUFFERED=1")
	command.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	output, err := command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = syscall.Kill(-command.Process.Pid, syscall.SIGKILL) // it ignores SIGTERM
		_ = command.Wait()
	})
	lines := make(chan string, 1000)
	go func() {
		defer close(lines)
		for scanner := bufio.NewScanner(output); scanner.Scan(); {
			lines <- scanner.Text()
		}
	}()
	return address, lines
}

// confirmed adds, at the first fix, a time daemon that agrees with the receiver
// and is never heard again: from then on the bound follows the model.
type confirmed struct{ Client }

func (c confirmed) Run(ctx context.Context, tell func(judge.Event)) error {
	heard := 0
	return c.Client.Run(ctx, func(e judge.Event) {
		tell(e)
		if s, ok := e.(judge.Sentence); ok && s.Fix == judge.FixReal && heard < 2 {
			heard++
			offset := time.Until(s.Time) + 350*time.Millisecond
			tell(judge.Daemon{Synchronised: true, Servers: 2, Offset: offset, Bound: 20 * time.Millisecond})
		}
	})
}

// Lock, loss and lock again must be seen within two seconds of the sentences
// that say so being fed to the daemon, and without a fix the bound must grow by
// the 50 ppm of an oscillator of which nothing is known.
func TestRealDaemon(t *testing.T) {
	const yes, no = true, false
	address, fed := player(t, epochs(t, yes, yes, yes, yes, yes, no, no, no, no, no, no, no, yes, yes, yes, yes))
	source := feed.Source{
		Judge: judge.Config{Build: time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)},
		Feeds: []feed.Feed{confirmed{Client{Address: address}}},
	}
	readings := source.Readings(t.Context())
	deadline := time.After(60 * time.Second)
	wanted := []struct {
		said string
		lock wirev1.Lock
	}{{",A,4807", wirev1.Lock_LOCK_LOCKED}, {",V,", wirev1.Lock_LOCK_HOLDOVER}, {",A,4807", wirev1.Lock_LOCK_LOCKED}}
	var saidAt time.Time
	var first, last core.Reading
	var firstAt, lastAt time.Time
	for step := 0; step < len(wanted); {
		select {
		case <-deadline:
			t.Fatalf("%v was not seen", wanted[step])
		case line, open := <-fed:
			if !open {
				t.Fatal("the player ended; is another one using its port?")
			}
			if saidAt.IsZero() && strings.Contains(line, wanted[step].said) {
				saidAt = time.Now()
			}
		case r := <-readings:
			if r.Lock == wirev1.Lock_LOCK_HOLDOVER && r.Known {
				if first.LockSince.IsZero() {
					first, firstAt = r, time.Now()
				}
				last, lastAt = r, time.Now()
			}
			if saidAt.IsZero() || r.Lock != wanted[step].lock {
				continue
			}
			late := time.Since(saidAt)
			t.Logf("%v seen %v after it was played", r.Lock, late.Round(time.Millisecond))
			if step > 0 && late > 2*time.Second { // the first includes the daemon's own start
				t.Errorf("%v was seen %v late", r.Lock, late)
			}
			saidAt = time.Time{}
			step++
		}
	}
	grown, took := (last.Bound - first.Bound).Seconds(), lastAt.Sub(firstAt).Seconds()
	t.Logf("without a fix the bound grew by %.1f ppm over %.1f s", 1e6*grown/took, took)
	if took < 3 || math.Abs(grown/took-50e-6) > 5e-6 {
		t.Errorf("the bound grew by %g s in %g s, want 50 ppm", grown, took)
	}
}
